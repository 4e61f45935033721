/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_tls.c - TLS 1.2 or newer to a broker, its certificate always checked against `ca_file` (or
 * the system's), the name that was asked for, and the date (why ours: mqtt_tls.h).
 */
#include "mqtt_tls.h"

#include "mqtt_secret.h"

#include "uphole/say.h"

#include <arpa/inet.h>
#include <errno.h>
#include <openssl/err.h>
#include <openssl/ssl.h>
#include <openssl/x509v3.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SYSTEM_CA_DIRECTORY "/etc/ssl/certs"

struct mqtt_tls {
    SSL_CTX *context;
    SSL *session;
    short wants; /* POLLIN, POLLOUT */
    bool stands, failed;
    int fault; /* X509_V_ERR_... of the certificate; 0: none */
    unsigned long error;
    char detail[80]; /* names or date of the certificate */
};

/* ---- what the certificate says ---- */

static void note_names(const X509 *certificate, char *into, size_t room)
{
    size_t n = 0;
    GENERAL_NAMES *names = X509_get_ext_d2i(certificate, NID_subject_alt_name, NULL, NULL);
    into[0] = '\0';
    for (int i = 0; names != NULL && i < sk_GENERAL_NAME_num(names) && n + 1 < room; i++) {
        const GENERAL_NAME *name = sk_GENERAL_NAME_value(names, i);
        if (name->type != GEN_DNS)
            continue;
        char escaped[48];
        say_escape(escaped, sizeof escaped, (const char *)ASN1_STRING_get0_data(name->d.dNSName),
                   (size_t)ASN1_STRING_length(name->d.dNSName));
        int put = snprintf(into + n, room - n, "%s%s", n > 0 ? ", " : "", escaped);
        n += put > 0 ? (size_t)put : 0;
    }
    GENERAL_NAMES_free(names);
    if (into[0] == '\0')
        snprintf(into, room, "no host");
}

static void note_date(const ASN1_TIME *time, char *into, size_t room)
{
    struct tm at;
    if (ASN1_TIME_to_tm(time, &at) == 1)
        snprintf(into, room, "%04d-%02d-%02d", at.tm_year + 1900, at.tm_mon + 1, at.tm_mday);
    else
        snprintf(into, room, "a date that does not read");
}

static int note_fault(int is_good, X509_STORE_CTX *store)
{
    const SSL *session = X509_STORE_CTX_get_ex_data(store, SSL_get_ex_data_X509_STORE_CTX_idx());
    struct mqtt_tls *tls = session == NULL ? NULL : SSL_get_app_data(session);
    if (is_good || tls == NULL || tls->fault != 0)
        return is_good;
    tls->fault = X509_STORE_CTX_get_error(store);
    const X509 *certificate = X509_STORE_CTX_get_current_cert(store);
    if (certificate == NULL)
        return is_good;
    if (tls->fault == X509_V_ERR_CERT_HAS_EXPIRED)
        note_date(X509_get0_notAfter(certificate), tls->detail, sizeof tls->detail);
    else if (tls->fault == X509_V_ERR_CERT_NOT_YET_VALID)
        note_date(X509_get0_notBefore(certificate), tls->detail, sizeof tls->detail);
    else
        note_names(certificate, tls->detail, sizeof tls->detail);
    return is_good;
}

/* ---- opening ---- */

/* A key with a pass phrase is refused: there is nobody to ask at a box. */
static int no_pass_phrase(char *into, int room, int rwflag, void *context)
{
    (void)into;
    (void)room;
    (void)rwflag;
    (void)context;
    return -1;
}

static bool file_fails(struct mqtt_trouble *trouble, const char *key, const char *file)
{
    trouble->kind = MQTT_SECRET;
    snprintf(trouble->detail, sizeof trouble->detail, "%s %.60s can't be used. Check that file.",
             key, file);
    return false;
}

static bool take_files(SSL_CTX *context, const struct destination_plan *to,
                       struct mqtt_trouble *trouble)
{
    char path[SECRET_PATH_MAX];
    if (to->ca_file[0] == '\0') {
        if (SSL_CTX_load_verify_locations(context, NULL, SYSTEM_CA_DIRECTORY) != 1)
            return file_fails(trouble, "the directory", SYSTEM_CA_DIRECTORY);
    } else if (SSL_CTX_load_verify_locations(context, mqtt_secret_path(to->ca_file, path), NULL) !=
               1) {
        return file_fails(trouble, "ca_file", to->ca_file);
    }
    if (to->certificate_file[0] == '\0')
        return true;
    if (SSL_CTX_use_certificate_chain_file(context, mqtt_secret_path(to->certificate_file, path)) !=
        1)
        return file_fails(trouble, "certificate_file", to->certificate_file);
    if (SSL_CTX_use_PrivateKey_file(context, mqtt_secret_path(to->key_file, path),
                                    SSL_FILETYPE_PEM) != 1 ||
        SSL_CTX_check_private_key(context) != 1)
        return file_fails(trouble, "key_file", to->key_file);
    return true;
}

/* Whom the certificate must name: the host as it stands in the configuration, never what a name
 * server made of it. */
static bool set_peer(SSL *session, const char *host)
{
    unsigned char address[16];
    if (inet_pton(AF_INET, host, address) == 1 || inet_pton(AF_INET6, host, address) == 1)
        return X509_VERIFY_PARAM_set1_ip_asc(SSL_get0_param(session), host) == 1;
    return SSL_set_tlsext_host_name(session, host) == 1 && SSL_set1_host(session, host) == 1;
}

struct mqtt_tls *mqtt_tls_open(const struct destination_plan *to, int fd,
                               struct mqtt_trouble *trouble)
{
    struct mqtt_tls *tls = calloc(1, sizeof *tls);
    SSL_CTX *context = tls == NULL ? NULL : SSL_CTX_new(TLS_client_method());
    if (context == NULL) {
        free(tls);
        trouble->kind = MQTT_SECRET;
        snprintf(trouble->detail, sizeof trouble->detail, "no memory for a secure connection.");
        return NULL;
    }
    ERR_clear_error();
    tls->context = context;
    SSL_CTX_set_min_proto_version(context, TLS1_2_VERSION);
    SSL_CTX_set_mode(context, SSL_MODE_ENABLE_PARTIAL_WRITE | SSL_MODE_ACCEPT_MOVING_WRITE_BUFFER);
    SSL_CTX_set_default_passwd_cb(context, no_pass_phrase);
    SSL_CTX_set_verify(context, SSL_VERIFY_PEER, note_fault);
    SSL_CTX_set_session_cache_mode(context, SSL_SESS_CACHE_OFF);
    if (!take_files(context, to, trouble)) {
        mqtt_tls_close(tls);
        return NULL;
    }
    tls->session = SSL_new(context);
    if (tls->session == NULL || SSL_set_fd(tls->session, fd) != 1 ||
        !set_peer(tls->session, to->host)) {
        (void)file_fails(trouble, "the name", to->host);
        mqtt_tls_close(tls);
        return NULL;
    }
    SSL_set_app_data(tls->session, tls);
    SSL_set_connect_state(tls->session);
    return tls;
}

void mqtt_tls_close(struct mqtt_tls *tls)
{
    if (tls == NULL)
        return;
    SSL_free(tls->session);
    SSL_CTX_free(tls->context);
    free(tls);
}

/* ---- bytes ---- */

/* After a call that returned `rc` <= 0: what to wait for, or errno of how it ended. */
static ssize_t outcome(struct mqtt_tls *tls, int rc)
{
    const int why = errno;
    switch (SSL_get_error(tls->session, rc)) {
    case SSL_ERROR_WANT_READ:
        tls->wants = POLLIN;
        errno = EAGAIN;
        return -1;
    case SSL_ERROR_WANT_WRITE:
        tls->wants = POLLOUT;
        errno = EAGAIN;
        return -1;
    case SSL_ERROR_ZERO_RETURN:
        return 0;
    case SSL_ERROR_SYSCALL:
        ERR_clear_error();
        errno = why;
        return why == 0 ? 0 : -1;
    default:
        tls->error = ERR_peek_error();
        /* The other end closed in the middle: the connection failed, not TLS. */
        if (ERR_GET_REASON(tls->error) == SSL_R_UNEXPECTED_EOF_WHILE_READING) {
            ERR_clear_error();
            return 0;
        }
        tls->failed = true;
        ERR_clear_error();
        errno = EPROTO;
        return -1;
    }
}

enum tls_step mqtt_tls_shake(struct mqtt_tls *tls)
{
    if (tls->stands)
        return TLS_STANDS;
    ERR_clear_error();
    errno = 0;
    tls->wants = 0;
    int rc = SSL_do_handshake(tls->session);
    if (rc == 1) {
        tls->stands = true;
        return TLS_STANDS;
    }
    return outcome(tls, rc) < 0 && errno == EAGAIN ? TLS_WAITS : TLS_FAILED;
}

short mqtt_tls_wants(const struct mqtt_tls *tls)
{
    return tls->wants;
}

ssize_t mqtt_tls_read(struct mqtt_tls *tls, void *into, size_t room)
{
    ERR_clear_error();
    errno = 0;
    tls->wants = 0;
    int rc = SSL_read(tls->session, into, (int)room);
    return rc > 0 ? rc : outcome(tls, rc);
}

ssize_t mqtt_tls_write(struct mqtt_tls *tls, const void *bytes, size_t n)
{
    ERR_clear_error();
    errno = 0;
    tls->wants = 0;
    int rc = SSL_write(tls->session, bytes, (int)n);
    if (rc > 0)
        return rc;
    ssize_t ended = outcome(tls, rc);
    if (ended == 0)
        errno = EPIPE;
    return -1;
}

void mqtt_tls_end(struct mqtt_tls *tls)
{
    if (tls->stands && !tls->failed)
        (void)SSL_shutdown(tls->session);
    ERR_clear_error();
}

/* ---- why ---- */

static int fault_of_certificate(int fault)
{
    switch (fault) {
    case X509_V_ERR_CERT_HAS_EXPIRED:
        return TLS_EXPIRED;
    case X509_V_ERR_CERT_NOT_YET_VALID:
        return TLS_NOT_YET_VALID;
    case X509_V_ERR_HOSTNAME_MISMATCH:
    case X509_V_ERR_IP_ADDRESS_MISMATCH:
        return TLS_WRONG_NAME;
    case X509_V_ERR_UNABLE_TO_GET_ISSUER_CERT:
    case X509_V_ERR_UNABLE_TO_GET_ISSUER_CERT_LOCALLY:
    case X509_V_ERR_UNABLE_TO_VERIFY_LEAF_SIGNATURE:
    case X509_V_ERR_DEPTH_ZERO_SELF_SIGNED_CERT:
    case X509_V_ERR_SELF_SIGNED_CERT_IN_CHAIN:
    case X509_V_ERR_CERT_SIGNATURE_FAILURE:
        return TLS_WRONG_CA;
    default:
        return TLS_BAD_CERTIFICATE;
    }
}

bool mqtt_tls_trouble(const struct mqtt_tls *tls, struct mqtt_trouble *trouble)
{
    if (!tls->failed)
        return false;
    *trouble = (struct mqtt_trouble){.kind = MQTT_TLS};
    const int reason = ERR_GET_REASON(tls->error);
    if (tls->fault != 0) {
        trouble->code = fault_of_certificate(tls->fault);
        snprintf(trouble->detail, sizeof trouble->detail, "%s",
                 trouble->code == TLS_BAD_CERTIFICATE ? X509_verify_cert_error_string(tls->fault)
                                                      : tls->detail);
    } else if (reason > SSL_AD_REASON_OFFSET) {
        /* An alert of the broker: it ended the handshake, mostly since it takes no certificate of
         * ours, or wants one. */
        trouble->code = TLS_REFUSES_US;
        const char *words = ERR_reason_error_string(tls->error);
        snprintf(trouble->detail, sizeof trouble->detail, "%.60s", words != NULL ? words : "alert");
    } else if (reason == SSL_R_WRONG_VERSION_NUMBER || reason == SSL_R_HTTP_REQUEST ||
               reason == SSL_R_PACKET_LENGTH_TOO_LONG || reason == SSL_R_RECORD_LENGTH_MISMATCH ||
               reason == SSL_R_UNEXPECTED_MESSAGE || reason == SSL_R_UNSUPPORTED_PROTOCOL) {
        trouble->code = TLS_NOT_TLS;
    } else {
        const char *words = ERR_reason_error_string(tls->error);
        snprintf(trouble->detail, sizeof trouble->detail, "%.60s",
                 words != NULL ? words : "no reason given");
    }
    return true;
}
