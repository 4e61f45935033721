/* SPDX-License-Identifier: Apache-2.0
 *
 * test_mqtt_secret.c - a password out of its file: whole or not at all.
 *
 * MQTT 5.0, 3.1.3.6: a password has up to 65,535 bytes; tokens of 1,000 and more are common
 * practice, no source. Planted defect: a longer one is cut, and the broker refuses what is left of
 * it (publish-password-cut).
 */
#include "check.h"

#include "../../daemon/publish/mqtt_secret.h"

#include <stdlib.h>
#include <unistd.h>

#define ROOM 4096

static char path[] = "/tmp/uphole-secret-XXXXXX";

static void put(const char *text, size_t n)
{
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    assert_int_equal(fwrite(text, 1, n, file), n);
    assert_int_equal(fclose(file), 0);
}

static void the_first_line_is_taken_whole(void **state)
{
    (void)state;
    char into[ROOM], token[1500];
    struct mqtt_trouble trouble = {0};
    memset(token, 'k', sizeof token);
    put("pw-8251\r\nsecond\n", 17);
    assert_true(mqtt_secret_read(path, into, sizeof into, &trouble));
    check_text("password", into, "pw-8251");
    put(token, sizeof token);
    assert_true(mqtt_secret_read(path, into, sizeof into, &trouble));
    check_count("bytes of a token", (long long)strlen(into), sizeof token);
    put("", 0);
    assert_true(mqtt_secret_read(path, into, sizeof into, &trouble));
    check_text("password", into, "");
}

static void one_that_is_too_long_is_refused_by_name_and_never_cut(void **state)
{
    (void)state;
    char into[ROOM], token[ROOM];
    struct mqtt_trouble trouble = {0};
    memset(token, 'k', sizeof token);
    put(token, ROOM - 1);
    assert_true(mqtt_secret_read(path, into, sizeof into, &trouble));
    check_count("bytes", (long long)strlen(into), ROOM - 1);
    put(token, ROOM);
    assert_false(mqtt_secret_read(path, into, sizeof into, &trouble));
    assert_int_equal(trouble.kind, MQTT_SECRET);
    assert_non_null(strstr(trouble.detail, "is longer than 4095 bytes"));
    assert_null(memchr(into, 'k', sizeof into));
}

static void a_file_that_is_not_there_and_a_credential_that_was_not_handed_are_named(void **state)
{
    (void)state;
    char into[ROOM];
    struct mqtt_trouble trouble = {0};
    assert_false(mqtt_secret_read("/nowhere/broker.pass", into, sizeof into, &trouble));
    assert_non_null(strstr(trouble.detail, "/nowhere/broker.pass can't be read"));
    unsetenv("CREDENTIALS_DIRECTORY");
    assert_false(mqtt_secret_read("broker.pass", into, sizeof into, &trouble));
    assert_non_null(strstr(trouble.detail, "is a credential"));
    setenv("CREDENTIALS_DIRECTORY", "/tmp", 1); /* systemd.exec(5), LoadCredential */
    put("from-the-manager\n", 17);
    assert_true(mqtt_secret_read(path + 5, into, sizeof into, &trouble));
    check_text("password", into, "from-the-manager");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_first_line_is_taken_whole),
        cmocka_unit_test(one_that_is_too_long_is_refused_by_name_and_never_cut),
        cmocka_unit_test(a_file_that_is_not_there_and_a_credential_that_was_not_handed_are_named),
    };
    int fd = mkstemp(path);
    if (fd < 0)
        return 1;
    close(fd);
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    unlink(path);
    return failed;
}
