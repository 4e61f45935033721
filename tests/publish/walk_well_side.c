/* SPDX-License-Identifier: Apache-2.0
 *
 * walk_well_side.c - plays the well side for the walk with a real broker: serves wants out of a
 * list in memory, and keeps the cursors.
 *
 *   walk_well_side CONFIGURATION MAPS [ADDED-TO-RUN]
 *
 * The SCADA side is the real one, in a child process. Orders come on standard input, one a line:
 *   add WELL N        N more records           gap WELL          one more ledger row
 *   snapshot WELL Q   a snapshot, quality Q    plan FILE         a new plan over the same wall
 *   kill              kill -9 the SCADA side and start it again
 *   stop              an orderly end           end               kill -9, and no more
 * What comes back over the wall goes to standard output: accepted, refused, destination. WELL
 * counts the wells in the order in which the plans named them first; its number in the journal is 7
 * more.
 */
#include "uphole/plan.h"
#include "uphole/publish.h"
#include "uphole/stamp.h"
#include "uphole/wall.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define WELLS 4
#define FIRST_NUMBER 7
#define ROWS_MAX 200000
static uint64_t run_number = 0x9f3c61d2a07b44e8u;

struct row {
    uint64_t pos, seq;
};
static struct plan *plan;
static uint32_t plan_serial;
static const char *maps_directory;
static char ids[WELLS][NAME_LENGTH_MAX + 1];
static struct up_clock system_clock;
static int wall = -1;
static pid_t child;
static uint64_t newest_pos;
static size_t n_rows[2][WELLS]; /* stream - 1, well */
static struct row rows[2][WELLS][ROWS_MAX];
static uint64_t accepted_pos[2][WELLS], accepted_seq[2][WELLS];
static struct wall_message message;

static void give_up(const char *what)
{
    fprintf(stderr, "walk_well_side: %s: %s\n", what, strerror(errno));
    if (child > 0)
        kill(child, SIGKILL);
    exit(70);
}

static void out(void)
{
    message.plan_serial = plan_serial;
    enum up_rc rc = wall_send_wait(wall, &message, 2000);
    if (rc != UP_OK && rc != UP_E_PORT)
        give_up("the wall is full");
}

static void send_more(uint16_t well)
{
    message.kind = WALL_MORE;
    message.more = (struct wall_more){.well = (uint16_t)(FIRST_NUMBER + well)};
    if (n_rows[0][well] > 0) {
        message.more.newest_scan_pos = rows[0][well][n_rows[0][well] - 1].pos;
        message.more.newest_scan_seq = rows[0][well][n_rows[0][well] - 1].seq;
    }
    if (n_rows[1][well] > 0)
        message.more.newest_gap_pos = rows[1][well][n_rows[1][well] - 1].pos;
    out();
}

static struct stamp stamp_of(uint64_t pos)
{
    return (struct stamp){.utc_ms = 1930111200000 + (int64_t)pos * 1000,
                          .boot_ms = (int64_t)pos,
                          .boot = system_clock.boot,
                          .clock = CLOCK_STATE_SYNCHRONISED};
}

static void send_record(const struct wall_want *want, uint16_t well, size_t i)
{
    const struct row *row = &rows[0][well][i];
    struct record *record = &message.record.record;
    message.kind = WALL_RECORD;
    message.record = (struct wall_record){
        .destination = want->destination, .serial = want->serial, .live = i + 1 == n_rows[0][well]};
    *record = (struct record){.pos = row->pos,
                              .run = run_number,
                              .seq = row->seq,
                              .after_run = row->seq > 1 ? run_number : 0,
                              .after_seq = row->seq - 1,
                              .plan = 1,
                              .plan_digest = plan->digest_32,
                              .measure_version = 1,
                              .at = stamp_of(row->pos),
                              .well = (uint16_t)(FIRST_NUMBER + well),
                              .source = SOURCE_GAUGE,
                              .outcome = OUTCOME_ANSWERED,
                              .n = 2};
    record->reading[0] = (struct reading){.point = POINT_INTAKE_PRESSURE,
                                          .quality = QUALITY_GOOD,
                                          .age_s = 28.4f,
                                          .value = 10000 + (double)(row->seq % 1000)};
    record->reading[1] = (struct reading){.point = POINT_DISCHARGE_PRESSURE,
                                          .quality = QUALITY_NOT_FITTED,
                                          .age_s = NAN,
                                          .value = NAN};
    out();
}

static void send_gap(const struct wall_want *want, uint16_t well, size_t i)
{
    const struct row *row = &rows[1][well][i];
    message.kind = WALL_GAP;
    message.gap = (struct wall_gap){.destination = want->destination, .serial = want->serial};
    message.gap.gap =
        (struct gap){.pos = row->pos,
                     .run = run_number,
                     .id = row->seq,
                     .kind = GAP_LINE,
                     .well = (uint16_t)(FIRST_NUMBER + well),
                     .source = SOURCE_GAUGE,
                     .is_open = true,
                     .lost = true,
                     .start = stamp_of(row->pos),
                     .cause = "No answer from the surface unit (unit id 1, pad-line)."};
    out();
}

static void serve(struct wall_want want)
{
    uint16_t well = (uint16_t)(want.well - FIRST_NUMBER);
    unsigned s = want.stream - 1u;
    size_t i = 0;
    uint16_t sent = 0;
    while (i < n_rows[s][well] && rows[s][well][i].pos <= want.after)
        i++;
    for (; i < n_rows[s][well] && sent < want.n; i++, sent++) {
        if (s == 0)
            send_record(&want, well, i);
        else
            send_gap(&want, well, i);
    }
    message.kind = WALL_END_OF_WANT;
    message.end_of_want =
        (struct wall_end_of_want){.destination = want.destination,
                                  .well = want.well,
                                  .stream = want.stream,
                                  .serial = want.serial,
                                  .sent = sent,
                                  .last_pos = sent > 0 ? rows[s][well][i - 1].pos : want.after,
                                  .more = i < n_rows[s][well]};
    out();
}

static void send_state(void)
{
    static uint32_t heartbeat;
    message.kind = WALL_STATE;
    message.state = (struct wall_state){.clock = CLOCK_STATE_SYNCHRONISED,
                                        .journal_ok = 1,
                                        .days_left = 391,
                                        .heartbeat = ++heartbeat,
                                        .n_destinations = plan->n_destinations,
                                        .n_wells = plan->n_wells};
    for (uint16_t w = 0; w < plan->n_wells; w++)
        message.state.well[w].well = plan->wells[w].number;
    out();
    message.kind = WALL_ALIVE;
    out();
}

/** The number of each well is that of its id, whatever plan it stands in. */
static void number_wells(void)
{
    for (uint16_t w = 0; w < plan->n_wells; w++) {
        uint16_t i = 0;
        while (i < WELLS && ids[i][0] != '\0' && strcmp(ids[i], plan->wells[w].id) != 0)
            i++;
        if (i == WELLS)
            give_up("too many wells");
        snprintf(ids[i], sizeof ids[i], "%s", plan->wells[w].id);
        plan_number_well(plan, w, (uint16_t)(FIRST_NUMBER + i));
    }
}

static uint32_t usage_month[PLAN_DESTINATIONS_MAX];
static uint64_t usage_bytes[PLAN_DESTINATIONS_MAX];

static void send_usage(uint16_t destination)
{
    message.kind = WALL_CURSOR;
    message.cursor = (struct wall_cursor){.destination = destination,
                                          .stream = WALL_STREAM_USAGE,
                                          .pos = usage_month[destination],
                                          .seq = usage_bytes[destination]};
    out();
}

static void send_cursor(uint16_t destination, uint16_t number, uint8_t stream)
{
    const uint16_t well = (uint16_t)(number - FIRST_NUMBER);
    message.kind = WALL_CURSOR;
    message.cursor = (struct wall_cursor){.destination = destination,
                                          .well = number,
                                          .stream = stream,
                                          .pos = accepted_pos[stream - 1][well],
                                          .seq = accepted_seq[stream - 1][well]};
    out();
}

static void greet(void)
{
    if (wall_send_plan(wall, plan_serial, plan->text, plan->text_length, 5000) != UP_OK)
        give_up("the plan");
    message.kind = WALL_NUMBERS;
    message.numbers =
        (struct wall_numbers){.version = WALL_VERSION, .run = run_number, .n_wells = plan->n_wells};
    for (uint16_t w = 0; w < plan->n_wells; w++)
        message.numbers.number[w] = plan->wells[w].number;
    out();
    for (uint16_t d = 0; d < plan->n_destinations; d++)
        for (uint16_t w = 0; w < plan->n_wells; w++)
            for (uint8_t stream = 1; stream <= 2; stream++)
                send_cursor(d, plan->wells[w].number, stream);
    for (uint16_t d = 0; d < plan->n_destinations; d++)
        send_usage(d);
    send_state();
    for (uint16_t w = 0; w < plan->n_wells; w++)
        send_more((uint16_t)(plan->wells[w].number - FIRST_NUMBER));
}

static void start_side(void)
{
    int fds[2];
    if (wall_pair(fds) != 0)
        give_up("wall_pair");
    fflush(stdout);
    child = fork();
    if (child < 0)
        give_up("fork");
    if (child == 0) {
        close(fds[0]);
        if (freopen("/dev/null", "r", stdin) == NULL)
            _exit(70);
        _exit(publish_run(fds[1], &system_clock, "0.1.0"));
    }
    close(fds[1]);
    wall = fds[0];
    greet();
    printf("started %d\n", (int)child);
    fflush(stdout);
}

static void take_plan(const char *file)
{
    static struct plan_faults faults;
    struct plan *next = NULL;
    if (plan_from_file(file, maps_directory, &next, &faults) != UP_OK)
        give_up(faults.n > 0 ? faults.fault[0].text : file);
    plan_free(plan);
    plan = next;
    plan_serial += 3; /* any other one */
    number_wells();
    greet();
    printf("planned\n");
    fflush(stdout);
}

static void end_side(bool orderly)
{
    int status = 0;
    if (orderly) {
        message.kind = WALL_STOP;
        out();
    } else {
        kill(child, SIGKILL);
    }
    waitpid(child, &status, 0);
    child = 0;
    close(wall);
    wall = -1;
    printf("ended %d\n", WIFEXITED(status) ? WEXITSTATUS(status) : -1);
    fflush(stdout);
}

static void send_snapshot(uint16_t well, uint8_t quality)
{
    int64_t now_ms = clock_boot_ms(&system_clock);
    struct snapshot *snapshot = &message.snapshot;
    message.kind = WALL_SNAPSHOT;
    *snapshot = (struct snapshot){.run = run_number,
                                  .seq = n_rows[0][well],
                                  .well = (uint16_t)(FIRST_NUMBER + well),
                                  .line = LINE_UP,
                                  .gauge = GAUGE_LIVE,
                                  .clock = CLOCK_STATE_SYNCHRONISED,
                                  .journaled = true,
                                  .n = 1};
    snapshot->newest = stamp_of(newest_pos);
    snapshot->newest.boot_ms = now_ms;
    snapshot->taken = snapshot->newest;
    snapshot->reading[0] = (struct live_reading){.point = POINT_INTAKE_PRESSURE,
                                                 .quality = quality,
                                                 .value = 12345,
                                                 .fresh_boot_ms = now_ms,
                                                 .stale_limit_ms = 48000};
    out();
}

static void add(unsigned stream, uint16_t well, long n)
{
    for (long i = 0; i < n && n_rows[stream - 1][well] < ROWS_MAX; i++) {
        size_t at = n_rows[stream - 1][well]++;
        rows[stream - 1][well][at] = (struct row){.pos = ++newest_pos, .seq = at + 1};
    }
    if (wall >= 0)
        send_more(well);
}

static bool obey(char *line)
{
    char word[20] = "";
    unsigned well = 0;
    long n = 0;
    sscanf(line, "%19s %u %ld", word, &well, &n);
    well %= WELLS;
    if (strcmp(word, "add") == 0)
        add(1, (uint16_t)well, n);
    else if (strcmp(word, "gap") == 0)
        add(2, (uint16_t)well, 1);
    else if (strcmp(word, "snapshot") == 0)
        send_snapshot((uint16_t)well, (uint8_t)n);
    else if (strcmp(word, "plan") == 0)
        take_plan(line + strlen("plan "));
    else if (strcmp(word, "kill") == 0) {
        end_side(false);
        start_side();
    } else {
        end_side(strcmp(word, "stop") == 0);
        return false;
    }
    return true;
}

static void take(void)
{
    while (wall >= 0) {
        enum up_rc rc = wall_receive(wall, &message);
        if (rc == UP_E_TIMEOUT)
            return;
        if (rc != UP_OK) {
            printf("wall %d\n", (int)rc);
            fflush(stdout);
            exit(1);
        }
        if (message.kind == WALL_WANT) {
            if (message.plan_serial == plan_serial)
                serve(message.want);
        } else if (message.kind == WALL_ACCEPTED) {
            unsigned w = (message.accepted.well - (unsigned)FIRST_NUMBER) % WELLS,
                     s = message.accepted.stream - 1u;
            if (message.accepted.pos <= accepted_pos[s][w])
                give_up("a cursor went back");
            accepted_pos[s][w] = message.accepted.pos;
            accepted_seq[s][w] = message.accepted.seq;
            printf("accepted %u %u %" PRIu64 " %" PRIu64 " %" PRId64 "\n", w, s + 1,
                   message.accepted.pos, message.accepted.seq, message.accepted.boot_ms);
        } else if (message.kind == WALL_REFUSED) {
            printf("refused %u %u %" PRIu64 " %u %s\n", message.refused.well - FIRST_NUMBER,
                   message.refused.stream, message.refused.pos, message.refused.code,
                   message.refused.reason);
        } else if (message.kind == WALL_DESTINATION) {
            printf("destination %u %u %s %s\n", message.destination.destination,
                   message.destination.state, gap_cause_name(message.destination.cause),
                   message.destination.reason);
            if (message.destination.month != 0) {
                const uint16_t d = message.destination.destination;
                usage_month[d] = message.destination.month;
                usage_bytes[d] = message.destination.month_bytes;
                printf("usage %u %u %" PRIu64 "\n", d, usage_month[d], usage_bytes[d]);
            }
        }
        fflush(stdout);
    }
}

int main(int argc, char **argv)
{
    static struct plan_faults faults;
    static char buffer[4096];
    size_t n = 0;
    signal(SIGPIPE, SIG_IGN);
    if (argc < 3 || plan_from_file(argv[1], argv[2], &plan, &faults) != UP_OK) {
        fprintf(stderr, "walk_well_side: %s\n",
                faults.n > 0 ? faults.fault[0].text : "CONFIGURATION MAPS");
        return 64;
    }
    if (argc > 3) /* another box of the same name */
        run_number += strtoull(argv[3], NULL, 10);
    clock_of_system(&system_clock);
    maps_directory = argv[2];
    number_wells();
    start_side();
    for (int64_t state_ms = 0;;) {
        struct pollfd fds[2] = {{.fd = STDIN_FILENO, .events = POLLIN},
                                {.fd = wall, .events = POLLIN}};
        poll(fds, 2, 200);
        take();
        if (clock_boot_ms(&system_clock) >= state_ms) {
            state_ms = clock_boot_ms(&system_clock) + 1000;
            send_state();
        }
        if (fds[0].revents == 0)
            continue;
        ssize_t got = read(STDIN_FILENO, buffer + n, sizeof buffer - 1 - n);
        if (got <= 0) {
            end_side(false);
            return 0;
        }
        n += (size_t)got;
        buffer[n] = '\0';
        for (char *end; (end = strchr(buffer, '\n')) != NULL;) {
            *end = '\0';
            if (!obey(buffer)) {
                plan_free(plan);
                return 0;
            }
            n -= (size_t)(end + 1 - buffer);
            memmove(buffer, end + 1, n + 1);
        }
    }
}
