/* SPDX-License-Identifier: Apache-2.0
 *
 * bench_drain_peer.c - what stands beside the daemon in bench_drain.py, as plain as it can be: a
 * subscriber that keeps every message, a publisher of bytes that were prepared before, and one that
 * holds the same rows as numbers and writes their text itself (bench_drain_write.c).
 *
 * usage: bench_drain_peer listen PORT TOPIC FILE      until SIGTERM; prints "ready"
 *        bench_drain_peer publish PORT FILE SECONDS   prints "MESSAGES BYTES SECONDS
 * PROCESSOR_SECONDS" bench_drain_peer printf|exact PORT ROWS SECONDS
 *
 * A message in FILE: arrival (CLOCK_MONOTONIC, ns, 8 bytes), length of topic and of payload (4
 * bytes each), topic, payload; in this machine's byte order. A publisher reads all of its file
 * first, then sends each message with QoS 1, over and over until so many seconds have passed, at
 * most 20 unanswered, which is also what libmosquitto does by itself.
 */
#include "bench_drain_write.h"

#include <mosquitto.h>
#include <signal.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define IN_FLIGHT 20
#define KEEP_ALIVE_S 60
#define FILE_BUFFER (1 << 20)

struct message {
    char *topic;
    void *payload;
    int length;
};
/** Where messages come from: those of a file, or rows that are written as they are sent. */
struct messages {
    size_t n;
    struct message *all; /* NULL: `rows` are written */
    struct drain_rows *rows;
    bool with_printf;
};

static volatile sig_atomic_t stopped;

static void stop(int signal)
{
    (void)signal;
    stopped = 1;
}

static int64_t ns_of(clockid_t clock)
{
    struct timespec time;
    clock_gettime(clock, &time);
    return time.tv_sec * 1000000000LL + time.tv_nsec;
}

static int64_t now_ns(void)
{
    return ns_of(CLOCK_MONOTONIC);
}

static void fail(const char *what)
{
    fprintf(stderr, "bench_drain_peer: %s\n", what);
    exit(1);
}

static struct mosquitto *connected(const char *port, const char *name, void *context)
{
    mosquitto_lib_init();
    struct mosquitto *library = mosquitto_new(name, true, context);
    if (library == NULL)
        fail("no memory");
    mosquitto_int_option(library, MOSQ_OPT_TCP_NODELAY, 1);
    mosquitto_int_option(library, MOSQ_OPT_PROTOCOL_VERSION, MQTT_PROTOCOL_V5);
    if (mosquitto_connect(library, "127.0.0.1", atoi(port), KEEP_ALIVE_S) != MOSQ_ERR_SUCCESS)
        fail("no connection");
    return library;
}

/* ---- listen ---- */

static void keep(struct mosquitto *library, void *context, const struct mosquitto_message *message)
{
    (void)library;
    FILE *file = context;
    const int64_t at = now_ns();
    const uint32_t lengths[2] = {(uint32_t)strlen(message->topic), (uint32_t)message->payloadlen};
    fwrite(&at, sizeof at, 1, file);
    fwrite(lengths, sizeof lengths, 1, file);
    fwrite(message->topic, 1, lengths[0], file);
    fwrite(message->payload, 1, lengths[1], file);
}

static void say_ready(struct mosquitto *library, void *context, int mid, int n, const int *granted)
{
    (void)library, (void)context, (void)mid, (void)n, (void)granted;
    puts("ready");
    fflush(stdout);
}

static void listen_to(const char *port, const char *topic, const char *path)
{
    FILE *file = fopen(path, "wb");
    if (file == NULL)
        fail("the file can't be written");
    static char buffer[FILE_BUFFER]; /* given none, the C library takes a page's worth */
    setvbuf(file, buffer, _IOFBF, sizeof buffer);
    struct mosquitto *library = connected(port, "bench-listener", file);
    mosquitto_message_callback_set(library, keep);
    mosquitto_subscribe_callback_set(library, say_ready);
    mosquitto_subscribe(library, NULL, topic, 1);
    while (!stopped)
        if (mosquitto_loop(library, 200, 1) != MOSQ_ERR_SUCCESS && !stopped)
            mosquitto_reconnect(library);
    fclose(file);
    mosquitto_destroy(library);
}

/* ---- publish ---- */

static size_t read_all(const char *path, struct message **out, size_t *bytes)
{
    FILE *file = fopen(path, "rb");
    size_t n = 0, room = 0;
    int64_t at;
    uint32_t lengths[2];
    struct message *all = NULL;
    if (file == NULL)
        fail("the file can't be read");
    while (fread(&at, sizeof at, 1, file) == 1 && fread(lengths, sizeof lengths, 1, file) == 1) {
        if (n == room) {
            room = room == 0 ? 1024 : room * 2;
            all = realloc(all, room * sizeof *all);
        }
        struct message one = {.topic = malloc(lengths[0] + 1),
                              .payload = malloc(lengths[1] + 1),
                              .length = (int)lengths[1]};
        if (all == NULL || one.topic == NULL || one.payload == NULL)
            fail("no memory");
        if (fread(one.topic, 1, lengths[0], file) != lengths[0] ||
            fread(one.payload, 1, lengths[1], file) != lengths[1])
            fail("the file ends within a message");
        one.topic[lengths[0]] = '\0';
        *bytes += lengths[1];
        all[n++] = one;
    }
    fclose(file);
    *out = all;
    return n;
}

struct count {
    size_t answered;
    bool is_connected;
};

static void count_answer(struct mosquitto *library, void *context, int mid)
{
    (void)library, (void)mid;
    ((struct count *)context)->answered++;
}

static void note_connected(struct mosquitto *library, void *context, int code)
{
    (void)library;
    ((struct count *)context)->is_connected = code == 0;
}

static struct message message_at(const struct messages *from, size_t i)
{
    static char text[DRAIN_MESSAGE_MAX];
    if (from->all != NULL)
        return from->all[i % from->n];
    struct message message = {.payload = text};
    message.length = (int)drain_rows_write(from->rows, i % from->n, from->with_printf, text);
    message.topic = drain_rows_topic(from->rows, i % from->n);
    return message;
}

static void publish(const char *port, const struct messages *from, double for_s)
{
    struct count count = {0};
    size_t sent = 0, bytes_sent = 0;
    bool is_over = false;
    struct mosquitto *library = connected(port, "bench-publisher", &count);
    mosquitto_connect_callback_set(library, note_connected);
    mosquitto_publish_callback_set(library, count_answer);
    while (!count.is_connected)
        if (mosquitto_loop(library, 200, 1) != MOSQ_ERR_SUCCESS)
            fail("no connection");
    const int64_t began = now_ns(), processor = ns_of(CLOCK_PROCESS_CPUTIME_ID);
    while (from->n > 0 && (!is_over || count.answered < sent)) {
        is_over = (double)(now_ns() - began) / 1e9 > for_s;
        for (; !is_over && sent - count.answered < IN_FLIGHT; sent++) {
            const struct message next = message_at(from, sent);
            bytes_sent += (size_t)next.length;
            if (mosquitto_publish(library, NULL, next.topic, next.length, next.payload, 1, false) !=
                MOSQ_ERR_SUCCESS)
                fail("publish");
        }
        if (mosquitto_loop(library, 200, 1) != MOSQ_ERR_SUCCESS)
            fail("the connection broke");
    }
    printf("%zu %zu %.6f %.6f\n", sent, bytes_sent, (double)(now_ns() - began) / 1e9,
           (double)(ns_of(CLOCK_PROCESS_CPUTIME_ID) - processor) / 1e9);
    mosquitto_disconnect(library);
    mosquitto_destroy(library);
}

int main(int argc, char **argv)
{
    struct messages from = {0};
    size_t bytes = 0;
    signal(SIGTERM, stop);
    if (argc == 5 && strcmp(argv[1], "listen") == 0)
        listen_to(argv[2], argv[3], argv[4]);
    else if (argc == 5 && strcmp(argv[1], "publish") == 0)
        from.n = read_all(argv[3], &from.all, &bytes);
    else if (argc == 5 && (strcmp(argv[1], "printf") == 0 || strcmp(argv[1], "exact") == 0))
        from.n = drain_rows_read(argv[3], &from.rows);
    else
        fail("usage: bench_drain_peer listen PORT TOPIC FILE | publish PORT FILE SECONDS | "
             "printf|exact PORT ROWS SECONDS");
    from.with_printf = strcmp(argv[1], "printf") == 0;
    if (from.n > 0)
        publish(argv[2], &from, atof(argv[4]));
    return 0;
}
