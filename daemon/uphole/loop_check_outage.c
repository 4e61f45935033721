/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_check_outage.c - the outages that a loop check makes, none of which needs a plug to be
 * pulled: asking stopped (`hold`), one broker left (`pause`), the program stopped (by the service
 * manager). Each ends by itself where this command is killed in the midst of it. What the ledger
 * has of it is read back by the code of `uphole gaps`, and from the broker.
 */
#include "loop_check.h"

#include <errno.h>
#include <inttypes.h>
#include <spawn.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <sysexits.h>
#include <unistd.h>

#define STEP_MS 200
#define FREE_MS 15000
#define SETTLE_MS                                                                                  \
    75000 /* for rows to close and to be told, beyond two polls; a topic that was refused rests up \
             to 60 s */
#define BACK_MS 1800000 /* for a program that a person stops and starts */
#define HOLD_SPARE_MS 60000
#define RELEASE_SLACK_MS 3000
#define CONNECT_SLACK_MS 12000
#define START_SLACK_MS 8000
#define BEFORE_MS 60000

extern char **environ;

/* ---- what the ledger has ---- */

static bool is_of_outage(const struct loop_check *check, const struct loop_outage *outage,
                         const struct gap *gap, int64_t slack_ms)
{
    if (gap->well != check->well->number && gap->well != 0)
        return false;
    if (gap->start.utc_ms < outage->began_utc_ms - slack_ms)
        return false;
    if (outage->kind == LOOP_NETWORK)
        return gap->kind == GAP_DELIVERY && strcmp(gap->destination, check->record->mqtt.name) == 0;
    return gap->kind == GAP_PROGRAM &&
           (outage->kind == LOOP_PROGRAM) == (gap->cause_code != CAUSE_PAUSED);
}

/** Rows of the outage as they are now; true where each is closed, and was heard so. */
static bool read_rows(struct loop_check *check, struct loop_outage *outage, int64_t slack_ms)
{
    struct gaps_report report = {0};
    bool settled = true;
    report.asked = (struct gaps_asked){.from_utc_ms = outage->began_utc_ms - BEFORE_MS,
                                       .to_utc_ms = loop_utc_ms(check) + BEFORE_MS,
                                       .now_utc_ms = loop_utc_ms(check),
                                       .well = check->well->id,
                                       .directory = check->asked.directory};
    outage->n_rows = 0;
    if (gaps_read(&report, false, NULL) != UP_OK)
        report.n_rows = 0;
    for (size_t i = 0; i < report.n_rows && outage->n_rows < LOOP_ROWS_MAX; i++) {
        const struct gap *gap = &report.rows[i].gap;
        if (!is_of_outage(check, outage, gap, slack_ms))
            continue;
        struct loop_row *row = &outage->row[outage->n_rows++];
        *row = (struct loop_row){.run = gap->run,
                                 .id = gap->id,
                                 .kind = gap->kind,
                                 .source = gap->source,
                                 .start_utc_ms = gap->start.utc_ms,
                                 .end_utc_ms = gap->is_open ? 0 : gap->end.utc_ms,
                                 .scans = gap->scans,
                                 .recovered = gap->recovered,
                                 .is_open = gap->is_open,
                                 .lost = gap->lost,
                                 .delivered =
                                     check->mqtt >= 0 && hear_gap_closed(check, gap->run, gap->id)};
        snprintf(row->destination, sizeof row->destination, "%s", gap->destination);
        snprintf(row->cause, sizeof row->cause, "%s", gap->cause);
        settled = settled && !row->is_open && (check->mqtt < 0 || row->delivered);
    }
    gaps_end(&report);
    return settled && outage->n_rows > 0;
}

static void fill_polls(const struct loop_check *check, struct loop_seen *seen)
{
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
        seen->poll_ms[s] = check->record->source[s].poll_ms;
        if (seen->poll_ms[s] > seen->poll_ms[0])
            seen->poll_ms[0] = seen->poll_ms[s];
    }
}

/** Waits for the rows to close and to be told; then judges them. */
static void settle(struct loop_check *check, struct loop_outage *outage, int64_t slack_ms)
{
    struct loop_seen seen = {.began_utc_ms = outage->began_utc_ms,
                             .ended_utc_ms = outage->ended_utc_ms,
                             .slack_ms = slack_ms,
                             .has_broker = check->mqtt >= 0};
    fill_polls(check, &seen);
    const int64_t until_ms =
        clock_boot_ms(&check->clock) + SETTLE_MS + slack_ms + 2 * (int64_t)seen.poll_ms[0];
    const uint64_t newest = check->hearing.seq;
    bool settled = false;
    while (!settled && clock_boot_ms(&check->clock) < until_ms && loop_wait(check, STEP_MS * 2))
        settled = read_rows(check, outage, seen.poll_ms[0] + slack_ms) &&
                  (check->mqtt < 0 || check->hearing.seq > newest);
    outage->has_hole = check->hearing.has_hole;
    outage->from_seq = check->hearing.from_seq;
    outage->to_seq = check->hearing.seq;
    outage->late = (uint32_t)check->hearing.n_late;
    loop_judge_outage(outage, &seen);
}

static void say_rows(const struct loop_outage *outage)
{
    char from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX];
    for (unsigned i = 0; i < outage->n_rows; i++) {
        const struct loop_row *row = &outage->row[i];
        loop_say(6, "ledger  %s %s%s  %s to %s, %u %s%s", gap_kind_name(row->kind),
                 row->source != SOURCE_NONE ? source_name(row->source) : "", row->destination,
                 stamp_to_short_text(row->start_utc_ms, from),
                 row->is_open ? "still open" : stamp_to_short_text(row->end_utc_ms, to), row->scans,
                 row->kind == GAP_DELIVERY ? "records late" : "scans missed",
                 row->delivered ? ", told on the gap topic" : "");
    }
}

/** Counts down; false: stopped. */
static bool sit_out(struct loop_check *check, int64_t ms)
{
    const int64_t until_ms = clock_boot_ms(&check->clock) + ms;
    const bool shows = isatty(STDOUT_FILENO) != 0;
    bool goes_on = true;
    for (;;) {
        const int64_t left_ms = until_ms - clock_boot_ms(&check->clock);
        if (left_ms <= 0 || !goes_on)
            break;
        if (shows) {
            printf("\r\033[K      %3d s left", (int)((left_ms + 999) / 1000));
            fflush(stdout);
        }
        goes_on = loop_wait(check, left_ms < 1000 ? left_ms : 1000);
    }
    if (shows)
        printf("\r\033[K");
    return goes_on;
}

/* ---- asking stopped ---- */

static const char *line_of(const struct loop_check *check)
{
    for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
        if (check->record->source[s].source != SOURCE_NONE)
            return check->record->source[s].line;
    return "";
}

static void wait_until_free(struct loop_check *check, const char *line)
{
    char wanted[NAME_LENGTH_MAX + 16];
    const int64_t until_ms = clock_boot_ms(&check->clock) + FREE_MS;
    snprintf(wanted, sizeof wanted, "%s free\n", line);
    while (clock_boot_ms(&check->clock) < until_ms) {
        char *body = NULL;
        size_t length = 0;
        check->asked.well = NULL;
        const bool is_free = socket_ask(&check->asked, "held text", &body, &length, NULL) == 0 &&
                             strstr(body, wanted) != NULL;
        free(body);
        if (is_free || !loop_wait(check, STEP_MS))
            return;
    }
}

/** Until a line that is released has had its turn. */
static int64_t round_of(const struct loop_check *check, const char *line)
{
    for (uint16_t i = 0; i < check->plan->n_lines; i++)
        if (strcmp(check->plan->lines[i].name, line) == 0)
            return plan_round_ms(check->plan, i);
    return 0;
}

static enum step_end stop_asking(struct loop_check *check, struct loop_outage *outage)
{
    char order[200], sentence[LOOP_SENTENCE_MAX];
    const char *line = line_of(check);
    snprintf(order, sizeof order, "hold %s %" PRId64 " %s", line, outage->asked_ms + HOLD_SPARE_MS,
             check->role);
    outage->began_utc_ms = loop_utc_ms(check);
    if (loop_order(check, order, sentence, sizeof sentence) != 0) {
        loop_say(6, "%s", sentence);
        return STEP_BACK;
    }
    snprintf(outage->how, sizeof outage->how,
             "Uphole was told to hold the line %s, and to release it", line);
    wait_until_free(check, line);
    const bool goes_on = sit_out(check, outage->asked_ms);
    outage->ended_utc_ms = loop_utc_ms(check);
    snprintf(order, sizeof order, "release %s %s", line, check->role);
    (void)loop_order(check, order, sentence, sizeof sentence);
    loop_say(6, "%s", sentence);
    if (!goes_on)
        return STEP_STOP;
    settle(check, outage, RELEASE_SLACK_MS + round_of(check, line));
    return STEP_DONE;
}

/* ---- the network cut ---- */

/** What waits is sent at the rate that the site allows. */
static int64_t draining_ms(const struct loop_check *check, int64_t outage_ms)
{
    const uint32_t rate = check->plan->destinations[check->mqtt].backlog_at_most;
    int64_t rows = 0;
    for (uint16_t w = 0; w < check->plan->n_wells; w++)
        for (uint8_t s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
            const struct source_entry *entry =
                plan_entry_at(&check->plan->wells[w], s, loop_utc_ms(check));
            rows += entry != NULL ? outage_ms / entry->poll_every_ms + 1 : 0;
        }
    return rate > 0 ? rows * 1000 / rate : 0;
}

static enum step_end cut_network(struct loop_check *check, struct loop_outage *outage)
{
    char order[200], sentence[LOOP_SENTENCE_MAX];
    const int64_t began_ms = clock_boot_ms(&check->clock);
    snprintf(order, sizeof order, "pause %s %" PRId64 " %s", check->record->mqtt.name,
             outage->asked_ms, check->role);
    outage->began_utc_ms = loop_utc_ms(check);
    if (loop_order(check, order, sentence, sizeof sentence) != 0) {
        loop_say(6, "%s", sentence);
        return STEP_BACK;
    }
    snprintf(outage->how, sizeof outage->how,
             "Uphole was told to leave %s without a goodbye, and came back by itself",
             check->record->mqtt.name);
    const bool goes_on = sit_out(check, outage->asked_ms);
    if (!goes_on) {
        snprintf(order, sizeof order, "resume %s %s", check->record->mqtt.name, check->role);
        (void)loop_order(check, order, sentence, sizeof sentence);
        loop_say(6, "%s", sentence);
        return STEP_STOP;
    }
    outage->ended_utc_ms = loop_utc_ms(check);
    outage->offline_heard = check->hearing.offline_ms >= began_ms;
    settle(check, outage, CONNECT_SLACK_MS + draining_ms(check, outage->asked_ms));
    return STEP_DONE;
}

/* ---- the program stopped ---- */

/** `systemctl restart SERVICE`; false and a sentence where that fails. */
static bool restart(const char *service, char *why, size_t room)
{
    char *const words[] = {(char[]){"systemctl"}, (char[]){"restart"}, strdup(service), NULL};
    pid_t child = 0;
    int status = 0;
    const int rc =
        words[2] == NULL ? ENOMEM : posix_spawnp(&child, words[0], NULL, NULL, words, environ);
    free(words[2]);
    if (rc != 0) {
        snprintf(why, room, "systemctl can't be run (%s).", strerror(rc));
        return false;
    }
    while (waitpid(child, &status, 0) < 0 && errno == EINTR)
        ;
    if (WIFEXITED(status) && WEXITSTATUS(status) == 0)
        return true;
    snprintf(why, room, "'systemctl restart %s' failed; what it printed says why.", service);
    return false;
}

/** Waits until the running Uphole is another run than `before`. Notes when it was gone. */
static bool wait_for_new_run(struct loop_check *check, uint64_t before, int64_t *gone_utc_ms)
{
    const int64_t until_ms = clock_boot_ms(&check->clock) + BACK_MS;
    bool said = false;
    while (clock_boot_ms(&check->clock) < until_ms) {
        struct loop_running running;
        const int code = loop_running_read(check, &running, NULL);
        if (code == 0 && running.run != before)
            return true;
        if (code != 0 && *gone_utc_ms == 0)
            *gone_utc_ms = loop_utc_ms(check);
        if (code != 0 && !said)
            loop_say(6, "Uphole is away; waiting until it is back.");
        said = said || code != 0;
        if (!loop_wait(check, STEP_MS))
            return false;
    }
    return false;
}

static enum step_end stop_program(struct loop_check *check, struct loop_outage *outage)
{
    struct loop_running running;
    struct up_error error = {0};
    char why[LOOP_SENTENCE_MAX] = "", how_long[STAMP_TEXT_MAX];
    const int64_t began_ms = clock_boot_ms(&check->clock);
    int64_t gone_utc_ms = 0;
    if (loop_running_read(check, &running, &error) != 0) {
        loop_say(6, "%s.", error.why);
        return STEP_BACK;
    }
    outage->began_utc_ms = loop_utc_ms(check);
    if (check->service != NULL && !restart(check->service, why, sizeof why)) {
        loop_say(6, "%s", why);
        return STEP_BACK;
    }
    if (check->service != NULL) {
        snprintf(outage->how, sizeof outage->how, "the service %.60s was restarted by this command",
                 check->service);
    } else {
        snprintf(outage->how, sizeof outage->how,
                 "a person stopped Uphole by the service manager, and started it");
        loop_say(6, "In another terminal:  sudo systemctl stop uphole");
        loop_say(6, "after about %s:  sudo systemctl start uphole",
                 duration_to_text(outage->asked_ms, how_long));
        loop_say(6, "This command waits, and sees it go and come back. Ctrl-C: not now.");
    }
    served_close(check);
    if (!wait_for_new_run(check, running.run, &gone_utc_ms))
        return STEP_STOP;
    if (check->service == NULL && gone_utc_ms != 0)
        outage->began_utc_ms = gone_utc_ms;
    outage->ended_utc_ms = loop_utc_ms(check);
    loop_say(6, "Uphole is back, in a new run.");
    outage->offline_heard = check->hearing.offline_ms >= began_ms;
    settle(check, outage, START_SLACK_MS);
    return STEP_DONE;
}

/* ---- one of them ---- */

struct outage_row {
    uint8_t kind;
    const char *what, *sees;
    enum step_end (*make)(struct loop_check *check, struct loop_outage *outage);
};
static const struct outage_row OUTAGES[] = {
    {LOOP_ASKING, "Asking stopped: the line is held, and released again.",
     "SCADA sees values age and turn stale; every well on this line is not read meanwhile.",
     stop_asking},
    {LOOP_NETWORK, "Network cut: Uphole leaves the broker without a goodbye, and comes back.",
     "SCADA sees this box as not running (the last will), and nothing new of any of its wells; "
     "then the records that waited.",
     cut_network},
    {LOOP_PROGRAM, "Program stopped: Uphole is stopped by the service manager, and started.",
     "SCADA sees this box as not running, the table does not answer, and every well is not read.",
     stop_program},
};

static void skip(struct loop_check *check, struct loop_outage *outage, const char *reason)
{
    snprintf(outage->sentence, sizeof outage->sentence, "%s", reason);
    outage->result = LOOP_SKIPPED;
    outage->done_utc_ms = loop_utc_ms(check);
    snprintf(outage->by, sizeof outage->by, "%s", check->by);
    loop_say(6, "Skipped: %s", reason);
}

/** Enter, or why not. */
static enum step_end ask_to_begin(struct loop_check *check, struct loop_outage *outage,
                                  const struct outage_row *row)
{
    char line[LOOP_LINE_MAX], how_long[STAMP_TEXT_MAX];
    printf("\n");
    loop_say(2, "%s", row->what);
    if (row->kind == LOOP_PROGRAM && check->service != NULL)
        loop_say(6, "%s It is restarted at once.", row->sees);
    else
        loop_say(6, "%s It lasts %s.", row->sees, duration_to_text(outage->asked_ms, how_long));
    if (row->kind == LOOP_NETWORK && check->mqtt < 0) {
        skip(check, outage, "there is no broker in this check");
        return STEP_BACK;
    }
    for (;;) {
        if (loop_ask(check, "    Enter to begin; s REASON to skip; q to stop: ", line) !=
                ASKED_LINE ||
            strcmp(line, "q") == 0)
            return STEP_STOP;
        if (line[0] == '\0')
            return STEP_DONE;
        if (line[0] == 's' && line[1] == ' ') {
            skip(check, outage, line + 2);
            return STEP_BACK;
        }
        loop_say(6, "Enter, s REASON or q.");
    }
}

/** Makes it once. STEP_BACK: it could not be made, and why was said. */
static enum step_end make_once(struct loop_check *check, struct loop_outage *outage,
                               const struct outage_row *row)
{
    struct up_error error = {0};
    if (check->mqtt >= 0 && hear_open(check, &error) != UP_OK) {
        loop_say(6, "%s.", error.why);
        return STEP_BACK;
    }
    hear_begin_count(check);
    const enum step_end ended = row->make(check, outage);
    if (ended != STEP_DONE)
        return ended;
    outage->done_utc_ms = loop_utc_ms(check);
    snprintf(outage->by, sizeof outage->by, "%s", check->by);
    say_rows(outage);
    loop_say(6, "%s", outage->sentence);
    loop_say(6, "%s", outage->result == LOOP_PASS ? "PASS" : "FAILED");
    return STEP_DONE;
}

/** One that failed may be made again: a broker may have been restarted in the midst of it. */
static bool is_wanted_again(struct loop_check *check)
{
    char line[LOOP_LINE_MAX];
    return loop_ask(check, "    Enter records it as failed; a makes it again: ", line) ==
               ASKED_LINE &&
           strcmp(line, "a") == 0;
}

enum step_end loop_do_outage(struct loop_check *check, struct loop_outage *outage)
{
    const struct outage_row *row = &OUTAGES[0];
    const uint8_t kind = outage->kind;
    while (row->kind != kind)
        row++;
    for (;;) {
        *outage = (struct loop_outage){.kind = kind, .asked_ms = check->outage_ms};
        const enum step_end begun = ask_to_begin(check, outage, row);
        if (begun != STEP_DONE)
            return begun == STEP_BACK ? STEP_DONE : STEP_STOP;
        const enum step_end ended = make_once(check, outage, row);
        if (ended == STEP_STOP) {
            *outage = (struct loop_outage){.kind = kind};
            return STEP_STOP;
        }
        if (ended == STEP_DONE && (outage->result == LOOP_PASS || !is_wanted_again(check)))
            return STEP_DONE;
    }
}
