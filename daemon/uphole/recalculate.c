/* SPDX-License-Identifier: Apache-2.0
 *
 * recalculate.c - one order that measures an interval of a well's rows under another plan. The
 * order is a row of the journal; what it makes of the rows follows from it and from them
 * (backlog_view.c), so nothing is computed here, and both revisions can be had for as long as the
 * rows are kept.
 *
 * Its revision is above that of every earlier order over any of its rows. Such orders ride alone in
 * their commit: two of one commit could not see each other.
 */
#include "by_hand.h"
#include "core_inside.h"
#include "resend.h"

#include "uphole/say.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>

#define WORD_MAX 80
#define DIGITS_LEAST 8

struct asked {
    char well[WORD_MAX], plan[WORD_MAX];
    int64_t from_utc_ms, to_utc_ms;
    char role[BY_HAND_ROLE_MAX + 1], reason[GAP_CAUSE_MAX];
    uint16_t well_index;
    uint32_t plan_id;
    char digest[65];
    struct row_range range;
};

static int read_words(const char *arguments, struct asked *asked, struct answer *to)
{
    static const char FORM[] =
        "A recalculation is ordered with WELL FROM..TO, a plan, and a reason.";
    char range[2 * STAMP_TEXT_MAX + 2];
    const char *at = arguments;
    if (!by_hand_word(&at, asked->well, sizeof asked->well) ||
        !by_hand_word(&at, range, sizeof range) ||
        !by_hand_word(&at, asked->plan, sizeof asked->plan))
        return answer(to, EX_USAGE, "%s", FORM);
    if (!by_hand_role(&at, asked->role))
        return answer(to, EX_USAGE, "Say with --by who asks, in at most %d bytes.",
                      BY_HAND_ROLE_MAX);
    if (*at == '\0' || strspn(at, " ") == strlen(at) || strlen(at) >= sizeof asked->reason)
        return answer(to, EX_USAGE,
                      "Say with --reason why, in one line of at most %zu bytes: it stands beside "
                      "the records for as long as they are kept.",
                      sizeof asked->reason - 1);
    snprintf(asked->reason, sizeof asked->reason, "%s", at);
    const char *dots = strstr(range, "..");
    if (dots == NULL || !stamp_from_text(range, (size_t)(dots - range), &asked->from_utc_ms) ||
        !stamp_from_text(dots + 2, strlen(dots + 2), &asked->to_utc_ms))
        return answer(to, EX_USAGE,
                      "'%.90s' is no interval. Give two times with their offsets, as in "
                      "2031-03-01T06:00:00Z..2031-03-01T07:00:00Z.",
                      range);
    if (asked->from_utc_ms > asked->to_utc_ms)
        return answer(to, EX_USAGE, "The interval ends before it begins.");
    return 0;
}

/** A plan of the journal that holds the well. */
static int check_plan(struct journal_reader *reader, const struct asked *asked, struct answer *to)
{
    char *text = NULL, digest[65];
    size_t length = 0;
    struct plan *plan = NULL;
    struct up_error error = {0};
    struct plan_faults *faults = calloc(1, sizeof *faults);
    enum up_rc rc = journal_read_plan(reader, asked->plan_id, &text, &length, digest, &error);
    if (rc == UP_OK)
        rc = faults == NULL ? UP_E_MEMORY
                            : plan_from_text("a plan of the journal", text, length, &plan, faults);
    const bool has_well = rc == UP_OK && plan_well_by_id(plan, asked->well) != NULL;
    free(faults);
    free(text);
    plan_free(plan);
    if (rc != UP_OK)
        return answer(to, EX_DATAERR, "Plan %.8s of the journal no longer reads.", asked->digest);
    return has_well ? 0
                    : answer(to, EX_NOINPUT, "Plan %.8s does not hold the well %s.", asked->digest,
                             asked->well);
}

static int find_plan(const struct core *core, struct journal_reader *reader, struct asked *asked,
                     struct answer *to)
{
    unsigned n = 0;
    struct up_error error = {0};
    if (strcmp(asked->plan, "-") == 0) {
        asked->plan_id = core->options.plan->id;
        memcpy(asked->digest, core->options.plan->digest, sizeof asked->digest);
        return 0;
    }
    if (strlen(asked->plan) < DIGITS_LEAST || strlen(asked->plan) > 64 ||
        strspn(asked->plan, "0123456789abcdef") != strlen(asked->plan))
        return answer(to, EX_USAGE,
                      "'%s' names no plan. Give the first %d digits of its digest or more, as the "
                      "records carry them in 'plan'.",
                      asked->plan, DIGITS_LEAST);
    if (journal_find_plan(reader, asked->plan, &n, &asked->plan_id, asked->digest, &error) != UP_OK)
        return answer(to, EX_IOERR, "The journal could not be read: %.150s.", error.why);
    if (n == 0)
        return answer(to, EX_NOINPUT,
                      "The journal holds no plan %s. Rows can be measured under a configuration "
                      "that this Uphole has run with: put the corrected one into force first, "
                      "with 'uphole reload'.",
                      asked->plan);
    if (n > 1)
        return answer(to, EX_USAGE, "%u plans begin with %s; give more digits.", n, asked->plan);
    return check_plan(reader, asked, to);
}

static int find_rows(const struct core *core, struct journal_reader *reader, struct asked *asked,
                     struct answer *to)
{
    struct up_error error = {0};
    const struct core_well *well = &core->wells[asked->well_index];
    if (journal_range_of_time(reader, well->plan->number, asked->from_utc_ms, asked->to_utc_ms,
                              &asked->range, &error) != UP_OK)
        return answer(to, EX_IOERR, "The journal could not be read: %.150s.", error.why);
    if (asked->range.from == 0) {
        char first[STAMP_TEXT_MAX], last[STAMP_TEXT_MAX];
        int64_t from_utc_ms = 0, to_utc_ms = 0;
        (void)journal_span(reader, &from_utc_ms, &to_utc_ms);
        return answer(to, EX_NOINPUT,
                      "The journal holds no record of %s in that time; it goes from %s to %s.",
                      well->plan->id, stamp_to_short_text(from_utc_ms, first),
                      stamp_to_short_text(to_utc_ms, last));
    }
    return 0;
}

/** Where the interval begins before the oldest row that is kept: a sentence, else "". */
static void say_removed(struct journal_reader *reader, const struct asked *asked, char *into,
                        size_t room)
{
    char at[STAMP_TEXT_MAX];
    int64_t oldest = 0, newest = 0;
    into[0] = '\0';
    if (journal_span(reader, &oldest, &newest) && oldest > asked->from_utc_ms)
        snprintf(into, room,
                 " Rows from before %s are not in the journal: what was sent of them stays as it "
                 "is.",
                 stamp_to_text(oldest, at));
}

static int give(struct core *core, struct journal_reader *reader, const char *who,
                const struct asked *asked, struct answer *to)
{
    struct up_error error = {0};
    struct row_order order = {.kind = ORDER_RECALCULATE,
                              .well = core->wells[asked->well_index].plan->number,
                              .from = asked->range.from,
                              .to = asked->range.to,
                              .from_seq = asked->range.from_seq,
                              .to_seq = asked->range.to_seq,
                              .plan = asked->plan_id};
    char removed[160], count[RESEND_COUNT_MAX];
    by_hand_who(asked->role, who, order.by, sizeof order.by);
    snprintf(order.reason, sizeof order.reason, "%s", asked->reason);
    if (core->resend.n_waiting > 0)
        return answer(to, EX_TEMPFAIL, "Another order is being stored. Try again in a second.");
    if (journal_next_revision(core->options.journal, order.well, order.from, order.to,
                              &order.revision, &error) != UP_OK)
        return answer(to, EX_IOERR, "The journal could not be read: %.150s.", error.why);
    say_removed(reader, asked, removed, sizeof removed);
    if (!resend_add(core, &order) || !resend_commit(core, 0))
        return by_hand_not_stored(to);
    return answer(
        to, 0,
        "%s records of %s (%" PRIu64 " to %" PRIu64
        ") are recalculated under plan %.8s as revision %" PRIu32 ", as asked by %s: %.90s.%s",
        resend_count_text(order.to_seq - order.from_seq + 1, count), asked->well, order.from_seq,
        order.to_seq, asked->digest, order.revision, order.by, order.reason, removed);
}

int recalculate_by_hand(struct core *core, const char *who, const char *arguments, char *text,
                        size_t room)
{
    struct answer to = {.text = text, .room = room};
    struct asked asked = {0};
    struct journal_reader *reader = NULL;
    int code = read_words(arguments, &asked, &to);
    if (code == 0)
        code = by_hand_well(core, asked.well, &asked.well_index, &to);
    if (code == 0)
        code = by_hand_open(core, &reader, &to);
    if (code == 0)
        code = find_plan(core, reader, &asked, &to);
    if (code == 0)
        code = find_rows(core, reader, &asked, &to);
    if (code == 0)
        code = give(core, reader, who, &asked, &to);
    journal_reader_close(reader);
    return code;
}
