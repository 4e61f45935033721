/* SPDX-License-Identifier: Apache-2.0
 *
 * bench_drain_parts.c - what draining a row costs each side, by itself: no broker, no link, one
 * thread, so that the figures are of processor time alone and repeat.
 *
 * usage: bench_drain_parts CONFIG MAPS [ROUNDS]: drains the journal of the configuration (as
 * bench_drain_fill leaves it) in wants of 64 rows, the wells in turn, as the daemon does; prints
 * the processor time a row and a digest of all payloads: equal digests, equal content.
 */
#include "../../daemon/uphole/backlog.h"

#include "uphole/publish.h"
#include "uphole/wire.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define ROWS 64

struct drain {
    const struct plan *plan;
    struct wall_message pack, end;
    struct wall_record one;
    struct record rows[ROWS];
    size_t n_rows, n_read;
    uint64_t n_bytes, n_messages;
    uint32_t digest;
    int64_t taken_ns, text_ns;
    char text[PAYLOAD_MAX];
};

static int64_t now_ns(void)
{
    struct timespec time;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &time);
    return time.tv_sec * 1000000000LL + time.tv_nsec;
}

static void fail(const char *what)
{
    fprintf(stderr, "bench_drain_parts: %s\n", what);
    exit(1);
}

/* ---- the SCADA side's part ---- */

static void take_pack(struct drain *drain)
{
    size_t at = 0;
    const int64_t began = now_ns();
    while (wall_records_take(&drain->pack.records, &at, &drain->one)) {
        if (drain->n_rows == ROWS)
            fail("more rows than were wanted");
        memcpy(&drain->rows[drain->n_rows++], &drain->one.record,
               offsetof(struct record, reading) +
                   drain->one.record.n * sizeof *drain->one.record.reading);
    }
    drain->pack.records.n = 0;
    drain->pack.records.size = 0;
    drain->taken_ns += now_ns() - began;
}

static void write_rows(struct drain *drain)
{
    const int64_t began = now_ns();
    for (size_t done = 0, used = 0; done < drain->n_rows; done += used) {
        const size_t length = payload_record(drain->text, sizeof drain->text, drain->plan,
                                             &drain->plan->destinations[0].units, SENT_LATE,
                                             &drain->rows[done], drain->n_rows - done, &used);
        if (length == 0)
            fail("a row does not fit");
        drain->n_bytes += length;
        drain->n_messages++;
        const int64_t before = now_ns();
        drain->digest = crc32_of(drain->digest, (const uint8_t *)drain->text, length);
        drain->text_ns -= now_ns() - before;
    }
    drain->n_read += drain->n_rows;
    drain->n_rows = 0;
    drain->text_ns += now_ns() - began;
}

/* ---- the well side's ---- */

static bool send(void *context, const struct wall_message *message)
{
    struct drain *drain = context;
    if (message->kind == WALL_END_OF_WANT) {
        drain->end.end_of_want = message->end_of_want;
        return true;
    }
    while (!wall_records_add(&drain->pack.records, &message->record.record, message->record.live))
        take_pack(drain);
    return true;
}

static uint64_t live_seq(void *context, uint16_t well)
{
    (void)context, (void)well;
    return UINT64_MAX;
}

static void drain_all(struct drain *drain, struct backlog *backlog)
{
    const struct plan *plan = drain->plan;
    struct up_error error = {0};
    uint64_t after[PLAN_WELLS_MAX] = {0};
    for (bool more = true; more;) {
        more = false;
        for (unsigned w = 0; w < plan->n_wells; w++) {
            const struct wall_want want = {.well = plan->wells[w].number,
                                           .stream = STREAM_RECORD,
                                           .after = after[w],
                                           .n = ROWS};
            if (backlog_serve(backlog, &want, &error) != UP_OK)
                fail(error.why);
            take_pack(drain);
            write_rows(drain);
            after[w] = drain->end.end_of_want.last_pos;
            more = more || drain->end.end_of_want.more;
        }
    }
}

int main(int argc, char **argv)
{
    static struct drain drain;
    struct up_error error = {0};
    struct plan *plan = NULL;
    struct plan_faults *faults = calloc(1, sizeof *faults);
    if (argc < 3 || faults == NULL)
        fail("usage: bench_drain_parts CONFIG MAPS [ROUNDS]");
    if (plan_from_file(argv[1], argv[2], &plan, faults) != UP_OK)
        fail("the configuration does not read");
    free(faults);
    plan->id = 1; /* the journal holds one plan, and numbers wells in the order of the plan */
    for (uint16_t w = 0; w < plan->n_wells; w++)
        plan->wells[w].number = (uint16_t)(w + 1);
    drain.plan = plan;
    const int rounds = argc > 3 ? atoi(argv[3]) : 1;
    for (int round = 0; round < rounds; round++) {
        struct backlog *backlog = NULL;
        const struct backlog_options options = {.plan = plan,
                                                .journal_directory = plan->journal.path,
                                                .send = send,
                                                .live_seq = live_seq,
                                                .context = &drain};
        if (backlog_open(&options, &backlog, &error) != UP_OK)
            fail(error.why);
        drain.n_read = 0;
        drain.n_bytes = drain.n_messages = 0;
        drain.taken_ns = drain.text_ns = 0;
        drain.digest = 0;
        const int64_t began = now_ns();
        drain_all(&drain, backlog);
        const int64_t all = now_ns() - began - drain.taken_ns - drain.text_ns;
        const double n = (double)drain.n_read;
        printf("%zu rows, %.0f bytes a row, %.1f rows a message; us a row: well side %.2f, SCADA "
               "side %.2f taken and %.2f written; digest %08x\n",
               drain.n_read, (double)drain.n_bytes / n, n / (double)drain.n_messages,
               (double)all / n / 1e3, (double)drain.taken_ns / n / 1e3,
               (double)drain.text_ns / n / 1e3, drain.digest);
        backlog_close(backlog);
    }
    plan_free(plan);
    return 0;
}
