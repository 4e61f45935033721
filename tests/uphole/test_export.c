/* SPDX-License-Identifier: Apache-2.0
 *
 * test_export.c - the command `export` over journals that are made here: rows of boxes whose clock
 * was set late, and a long one in bounded memory. What was delivered, walk_export compares.
 *
 * Planted defects, each seen to be caught (tests/planted): corrected rows told as they were read
 * (export-times-forgotten); one times order for a slice that two boots share
 * (export-one-order-a-slice); rows kept until the end (export-keeps-rows).
 */
#include "rig.h"

#include "check.h"

#include "../../daemon/uphole/backlog.h"
#include "../../daemon/uphole/command.h"
#include "../../daemon/uphole/socket.h"

#include "uphole/publish.h"

#include <inttypes.h>
#include <stdlib.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#define MARCH_MS INT64_C(1930089600000) /* 2031-03-01T00:00:00Z */
#define BATCH JOURNAL_BATCH_SCANS_MAX
#define LINES_MAX 600

/** In the place of socket.c's: an export asks nothing of the daemon. */
enum up_rc socket_address(const char *directory, struct sockaddr_un *out, struct up_error *error)
{
    (void)out;
    fail_msg("the local socket in %s was asked for", directory);
    return UP_FAIL(error, UP_E_SYSTEM, "asked");
}

struct maker {
    struct rig *rig;
    uint64_t run;
    uint32_t boot;
    int64_t boot_ms, set_at_boot_ms; /* the clock is set from then on */
    int64_t set_utc_ms;              /* and says this then */
    struct scan scans[BATCH];
};

/** One answered poll of the gauge; the words change as a sensor's do. Before the clock was set it
 * counts from 1970. */
static void make_scan(struct maker *maker, struct scan *scan, unsigned i)
{
    const bool is_set = maker->boot_ms >= maker->set_at_boot_ms;
    *scan = (struct scan){
        .run = maker->run,
        .begun = {.utc_ms = is_set ? maker->set_utc_ms + maker->boot_ms - maker->set_at_boot_ms
                                   : maker->boot_ms,
                  .boot_ms = maker->boot_ms,
                  .boot = maker->boot,
                  .clock = is_set ? CLOCK_STATE_SYNCHRONISED : CLOCK_STATE_NEVER_SET},
        .took_ms = 120,
        .plan = maker->rig->plan->id,
        .well = maker->rig->well,
        .source = SOURCE_GAUGE,
        .outcome = OUTCOME_ANSWERED,
        .tries = 1,
        .n_blocks = 1,
        .n_words = 47,
        .block = {{.function = 4, .first = 0, .count = 47, .at = 0}}};
    scan->words[0] = 1;
    for (unsigned w = 1; w < scan->n_words; w++)
        scan->words[w] = (uint16_t)(900 + w * 7 + (i * (w + 3)) % 5);
    maker->boot_ms += 1000;
}

static void append(struct maker *maker, unsigned n, unsigned first)
{
    struct up_error error = {0};
    for (unsigned done = 0; done < n;) {
        const unsigned now = n - done < BATCH ? n - done : BATCH;
        for (unsigned i = 0; i < now; i++)
            make_scan(maker, &maker->scans[i], first + done + i);
        struct batch batch = {.scans = maker->scans, .n_scans = now};
        if (journal_append(maker->rig->journal, &batch, &error) != UP_OK)
            fail_msg("%s", error.why);
        done += now;
    }
}

static void begin_boot(struct maker *maker, uint32_t boot, int64_t set_utc_ms)
{
    struct up_error error = {0};
    const struct stamp began = {
        .utc_ms = 5000, .boot_ms = 5000, .boot = boot, .clock = CLOCK_STATE_NEVER_SET};
    maker->boot = boot;
    maker->boot_ms = 10000;
    maker->set_at_boot_ms = 10000 + 100 * 1000;
    maker->set_utc_ms = set_utc_ms;
    if (journal_begin_run(maker->rig->journal, &began, &maker->run, &error) != UP_OK)
        fail_msg("%s", error.why);
}

/** The order that resend_times.c makes once the clock of a boot is known. */
static uint64_t order_times(struct maker *maker, uint64_t from)
{
    struct up_error error = {0};
    struct row_order order = {.kind = ORDER_TIMES,
                              .from = from,
                              .to = journal_newest_pos(maker->rig->journal),
                              .revision = 1,
                              .set = {.utc_ms = maker->set_utc_ms,
                                      .boot_ms = maker->set_at_boot_ms,
                                      .boot = maker->boot,
                                      .clock = CLOCK_STATE_SYNCHRONISED}};
    snprintf(order.by, sizeof order.by, "clock set at %08" PRIx32, maker->boot);
    struct batch batch = {.orders = &order, .n_orders = 1};
    if (journal_append(maker->rig->journal, &batch, &error) != UP_OK)
        fail_msg("%s", error.why);
    return order.pos;
}

/* ---- what a destination is sent ---- */

struct heard {
    struct rig *rig;
    char *lines[LINES_MAX]; /* by seq; the newest revision's */
    const char *by;
    char payload[PAYLOAD_MAX];
    uint64_t last_pos;
    bool more;
    unsigned values;
};

static uint64_t live_seq(void *context, uint16_t well)
{
    (void)context;
    (void)well;
    return UINT64_MAX;
}

static bool hear(void *context, const struct wall_message *message)
{
    struct heard *heard = context;
    if (message->kind == WALL_END_OF_WANT) {
        heard->last_pos = message->end_of_want.last_pos;
        heard->more = message->end_of_want.more;
        return true;
    }
    const struct record *record = &message->record.record;
    const struct unit_choice *units = &heard->rig->plan->destinations[0].units;
    size_t used = 0;
    const size_t length = payload_record_by(heard->payload, PAYLOAD_MAX, heard->rig->plan, units,
                                            record->revision > 0 ? SENT_RECALCULATED : SENT_RESENT,
                                            heard->by, record, 1, &used);
    assert_true(length > 0 && record->seq < LINES_MAX);
    for (uint16_t i = 0; i < record->n; i++)
        heard->values += isnan(record->reading[i].value) ? 0u : 1u;
    free(heard->lines[record->seq]);
    heard->lines[record->seq] = strdup(heard->payload);
    return true;
}

static void serve(struct heard *heard, struct backlog *backlog, uint8_t stream, uint64_t order)
{
    struct up_error error = {0};
    heard->last_pos = 0;
    do {
        const struct wall_want want = {.destination = 0,
                                       .well = heard->rig->well,
                                       .stream = stream,
                                       .order = order,
                                       .after = heard->last_pos,
                                       .n = JOURNAL_SLICE_MAX};
        if (backlog_serve(backlog, &want, &error) != UP_OK)
            fail_msg("%s", error.why);
    } while (heard->more);
}

/* ---- the command ---- */

static int export(struct rig *rig, const char *format, const char *from, const char *to,
                  const char *into)
{
    char *argv[] = {"export",     "heron-7", "--journal", rig->directory, (char *)format, "--from",
                    (char *)from, "--to",    (char *)to,  "--into",       (char *)into,   NULL};
    return COMMAND_EXPORT.run(sizeof argv / sizeof *argv - 1, argv);
}

static void path_of(struct rig *rig, const char *name, char into[static 300])
{
    snprintf(into, 300, "%s/%s", rig->directory, name);
}

static void rows_of_two_boots_are_told_with_the_times_that_their_clocks_brought(void **state)
{
    struct rig *rig = *state;
    struct maker *maker = calloc(1, sizeof *maker);
    struct heard *heard = calloc(1, sizeof *heard);
    maker->rig = heard->rig = rig;
    begin_boot(maker, 0xA0000001, MARCH_MS + 3600000);
    append(maker, 130, 0);
    const uint64_t first_order = order_times(maker, 1);
    const uint64_t second_begins = journal_newest_pos(rig->journal) + 1;
    begin_boot(maker, 0xB0000002, MARCH_MS + 7200000);
    append(maker, 130, 130); /* 128 is the edge of a slice: rows of both boots lie in one */
    const uint64_t second_order = order_times(maker, second_begins);

    struct backlog *backlog = NULL;
    struct up_error error = {0};
    const struct backlog_options options = {.plan = rig->plan,
                                            .journal_directory = rig->directory,
                                            .send = hear,
                                            .live_seq = live_seq,
                                            .context = heard};
    if (backlog_open(&options, &backlog, &error) != UP_OK)
        fail_msg("%s", error.why);
    serve(heard, backlog, STREAM_RECORD, 0);
    heard->by = "clock set at a0000001";
    serve(heard, backlog, STREAM_ORDER, first_order);
    heard->by = "clock set at b0000002";
    serve(heard, backlog, STREAM_ORDER, second_order);
    assert_true(heard->values > 260);

    char path[300];
    path_of(rig, "out.ndjson", path);
    assert_int_equal(export(rig, "--ndjson", "2031-03-01T00:00:00Z", "2031-03-02T00:00:00Z", path),
                     0);
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    uint64_t seq = 0;
    unsigned corrected = 0;
    while (fgets(heard->payload, PAYLOAD_MAX, file) != NULL) {
        heard->payload[strcspn(heard->payload, "\n")] = '\0';
        if (strstr(heard->payload, "uphole/gap/1") != NULL)
            continue;
        seq++;
        corrected += strstr(heard->payload, "\"revision\":1") != NULL;
        assert_true(seq < LINES_MAX && heard->lines[seq] != NULL);
        check_text("a line is what was sent", heard->payload, heard->lines[seq]);
    }
    fclose(file);
    assert_int_equal(seq, 260);
    assert_int_equal(corrected, 200);
    backlog_close(backlog);
    for (unsigned i = 0; i < LINES_MAX; i++)
        free(heard->lines[i]);
    free(heard);
    free(maker);
}

/* ---- memory ---- */

/** Exports in a child and returns the most memory that it ever held, by the kernel's own count:
 * looks from outside may all fall before or behind it. */
static unsigned long most_memory_kb(struct rig *rig, const char *format, const char *to,
                                    const char *into)
{
    unlink(into);
    const pid_t child = fork();
    if (child == 0)
        _exit(export(rig, format, "2031-03-01T00:00:00Z", to, into));
    int status = 0;
    struct rusage usage;
    assert_int_equal(wait4(child, &status, 0, &usage), child);
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), 0);
    return (unsigned long)usage.ru_maxrss;
}

/** Every seq from 1 to `n`, once, in order. */
static void check_seqs(const char *path, unsigned long n)
{
    char *line = malloc(PAYLOAD_MAX);
    FILE *file = fopen(path, "r");
    unsigned long seq = 0;
    assert_true(file != NULL && line != NULL);
    while (fgets(line, PAYLOAD_MAX, file) != NULL) {
        const char *at = strstr(line, "\"seq\":");
        if (strstr(line, "uphole/gap/1") != NULL || at == NULL)
            continue;
        if (strtoul(at + 6, NULL, 10) != ++seq)
            fail_msg("row %lu: %.40s", seq, at);
    }
    assert_int_equal(seq, n);
    fclose(file);
    free(line);
}

static void a_long_export_takes_no_more_memory_than_a_short_one(void **state)
{
    struct rig *rig = *state;
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__) || defined(CHECK_IS_SANITIZED)
    printf("SKIPPED: sanitizers keep freed memory, so it says nothing here\n");
    skip();
#endif
    const char *is_long = getenv("UPHOLE_LONG");
    const unsigned n = is_long != NULL && is_long[0] == '1' ? 1000000 : 12000;
    struct maker *maker = calloc(1, sizeof *maker);
    maker->rig = rig;
    begin_boot(maker, 0xA0000001, MARCH_MS);
    maker->set_at_boot_ms = maker->boot_ms; /* known from the first row on */
    append(maker, n, 0);
    free(maker);
    char path[300];
    static const char *const FORMATS[] = {"--csv", "--ndjson", "--raw"};
    for (unsigned i = 0; i < sizeof FORMATS / sizeof *FORMATS; i++) {
        path_of(rig, "out", path);
        const unsigned long of_few =
            most_memory_kb(rig, FORMATS[i], "2031-03-01T00:50:00Z", path); /* 3,001 rows */
        const unsigned long of_all = most_memory_kb(rig, FORMATS[i], "2031-04-01T00:00:00Z", path);
        printf("%s: %lu kB for 3,001 rows, %lu kB for %u rows\n", FORMATS[i], of_few, of_all, n);
        assert_true(of_few > 0 && of_all < of_few + 2048);
        if (i == 1) /* NDJSON */
            check_seqs(path, n);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(
            rows_of_two_boots_are_told_with_the_times_that_their_clocks_brought, rig_setup,
            rig_teardown),
        cmocka_unit_test_setup_teardown(a_long_export_takes_no_more_memory_than_a_short_one,
                                        rig_setup, rig_teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
