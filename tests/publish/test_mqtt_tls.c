/* SPDX-License-Identifier: Apache-2.0
 *
 * test_mqtt_tls.c - a key that is locked by a pass phrase: refused by name at once, and nobody is
 * asked for it.
 *
 * There is nobody to ask at a box: OpenSSL's own way (openssl-passphrase-options(1)) would wait at
 * a terminal, or take the daemon's standard input. Planted defect: that way is left in place
 * (publish-asks-for-a-pass-phrase).
 */
#include "check.h"

#include "../../daemon/publish/mqtt_tls.h"

#include <openssl/ec.h>
#include <openssl/pem.h>
#include <openssl/x509.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

static const char PHRASE[] = "pw-8251";
static char directory[] = "/tmp/uphole-tls-XXXXXX";
static char certificate_file[64], locked_file[64], open_file[64];

static int make_files(void **state)
{
    (void)state;
    EVP_PKEY *key = EVP_EC_gen("P-256");
    X509 *certificate = X509_new();
    assert_non_null(key);
    assert_non_null(certificate);
    X509_gmtime_adj(X509_getm_notBefore(certificate), 0);
    X509_gmtime_adj(X509_getm_notAfter(certificate), 3600);
    assert_true(X509_set_pubkey(certificate, key) == 1);
    assert_true(X509_sign(certificate, key, EVP_sha256()) > 0);
    FILE *file = fopen(certificate_file, "w");
    assert_true(PEM_write_X509(file, certificate) == 1 && fclose(file) == 0);
    file = fopen(open_file, "w");
    assert_true(PEM_write_PrivateKey(file, key, NULL, NULL, 0, NULL, NULL) == 1);
    assert_int_equal(fclose(file), 0);
    file = fopen(locked_file, "w");
    assert_true(PEM_write_PrivateKey(file, key, EVP_aes_256_cbc(), (const unsigned char *)PHRASE,
                                     sizeof PHRASE - 1, NULL, NULL) == 1);
    assert_int_equal(fclose(file), 0);
    X509_free(certificate);
    EVP_PKEY_free(key);
    return 0;
}

/** In a child without a terminal, whose standard input holds the pass phrase: 0 where the key was
 * refused by name and nothing was read, 1 where it was taken, 2 otherwise. */
static int open_with(const char *key_file)
{
    int input[2];
    assert_int_equal(pipe(input), 0);
    const pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        struct destination_plan to = {.medium = DESTINATION_MQTT, .tls = true};
        struct mqtt_trouble trouble = {0};
        char rest[2 * sizeof PHRASE] = "";
        (void)setsid();
        (void)dup2(input[0], STDIN_FILENO);
        (void)!write(input[1], "pw-8251\n", 8);
        close(input[1]);
        snprintf(to.host, sizeof to.host, "broker.heron.example");
        snprintf(to.ca_file, sizeof to.ca_file, "%s", certificate_file);
        snprintf(to.certificate_file, sizeof to.certificate_file, "%s", certificate_file);
        snprintf(to.key_file, sizeof to.key_file, "%s", key_file);
        struct mqtt_tls *tls = mqtt_tls_open(&to, STDIN_FILENO, &trouble);
        mqtt_tls_close(tls);
        if (tls != NULL)
            _exit(1);
        const bool is_named = trouble.kind == MQTT_SECRET && strstr(trouble.detail, "key_file") &&
                              strstr(trouble.detail, key_file);
        _exit(is_named && read(STDIN_FILENO, rest, sizeof rest) == 8 ? 0 : 2);
    }
    close(input[0]);
    close(input[1]);
    int status = 0;
    assert_int_equal(waitpid(child, &status, 0), child);
    return WIFEXITED(status) ? WEXITSTATUS(status) : 3;
}

static void a_locked_key_is_refused_by_name_and_nobody_is_asked(void **state)
{
    (void)state;
    check_count("locked", open_with(locked_file), 0);
    check_count("open", open_with(open_file), 1);
    check_count("not there", open_with("/nowhere/uphole.key"), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_locked_key_is_refused_by_name_and_nobody_is_asked),
    };
    if (mkdtemp(directory) == NULL)
        return 1;
    snprintf(certificate_file, sizeof certificate_file, "%s/box.pem", directory);
    snprintf(locked_file, sizeof locked_file, "%s/locked.key", directory);
    snprintf(open_file, sizeof open_file, "%s/open.key", directory);
    const int failed = cmocka_run_group_tests(tests, make_files, NULL);
    unlink(certificate_file);
    unlink(locked_file);
    unlink(open_file);
    rmdir(directory);
    return failed;
}
