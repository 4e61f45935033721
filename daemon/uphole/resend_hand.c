/* SPDX-License-Identifier: Apache-2.0
 *
 * resend_hand.c - an order by hand, from what a person wrote to rows of the journal. See resend.h.
 *
 * A range is FROM..TO, both times (RFC 3339) or both sequence numbers; a sequence number may name
 * its run as `after` does. Nothing is guessed: an end that is neither, or one of each, is refused.
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

#define WORD_MAX 64

struct asked {
    char destination[WORD_MAX], well[WORD_MAX], from[WORD_MAX], to[WORD_MAX];
    char role[BY_HAND_ROLE_MAX + 1], reason[GAP_CAUSE_MAX];
    uint16_t destination_index, well_index;
    struct row_range range;
};

static int read_words(const char *arguments, struct asked *asked, struct answer *to)
{
    static const char FORM[] =
        "A resend is ordered with DESTINATION WELL FROM..TO, and with the role of who asks.";
    char range[2 * WORD_MAX];
    const char *at = arguments;
    if (!by_hand_word(&at, asked->destination, sizeof asked->destination) ||
        !by_hand_word(&at, asked->well, sizeof asked->well))
        return answer(to, EX_USAGE, "%s", FORM);
    const size_t length = strcspn(at, " ");
    if (length >= sizeof range)
        return answer(to, EX_USAGE, "The range is too long to be one. Give FROM..TO.");
    memcpy(range, at, length);
    range[length] = '\0';
    at += length + (at[length] == ' ');
    if (*at == '\0')
        return answer(to, EX_USAGE, "%s", FORM);
    if (!by_hand_role(&at, asked->role) || asked->role[0] == '\0')
        return answer(to, EX_USAGE,
                      "Say with --by who asks, in at most %d bytes: a role such as 'operations "
                      "engineer'.",
                      BY_HAND_ROLE_MAX);
    snprintf(asked->reason, sizeof asked->reason, "%s", at);
    char *dots = strstr(range, "..");
    if (dots == NULL || dots == range || dots[2] == '\0' || strstr(dots + 2, "..") != NULL ||
        dots - range >= WORD_MAX || strlen(dots + 2) >= WORD_MAX)
        return answer(to, EX_USAGE,
                      "'%.60s' is no range. Give FROM..TO: two times, as in "
                      "2031-03-01T06:00:00Z..2031-03-01T07:00:00Z, or two sequence numbers, as in "
                      "88120..89000.",
                      range);
    *dots = '\0';
    snprintf(asked->from, sizeof asked->from, "%.63s", range);
    snprintf(asked->to, sizeof asked->to, "%.63s", dots + 2);
    return 0;
}

static int find_names(const struct core *core, struct asked *asked, struct answer *to)
{
    const struct plan *plan = core->options.plan;
    uint16_t d = 0;
    while (d < plan->n_destinations && strcmp(plan->destinations[d].name, asked->destination) != 0)
        d++;
    if (d == plan->n_destinations)
        return answer(to, EX_NOINPUT,
                      "There is no destination '%.40s'. 'uphole status' shows those that there "
                      "are.",
                      asked->destination);
    if (!core_destination_acknowledges(core, d))
        return answer(to, EX_USAGE,
                      "%s is a table: a master reads there what holds now, and nothing can be sent "
                      "to it again. Name a broker.",
                      asked->destination);
    asked->destination_index = d;
    return by_hand_well(core, asked->well, &asked->well_index, to);
}

enum end_kind { END_NEITHER = 0, END_TIME, END_SEQ };
struct end {
    enum end_kind kind;
    int64_t utc_ms;
    uint64_t seq, run; /* run 0: not named */
};

static struct end read_end(const char *text)
{
    struct end end = {.kind = END_NEITHER};
    if (stamp_from_text(text, strlen(text), &end.utc_ms)) {
        end.kind = END_TIME;
        return end;
    }
    const char *seq = text;
    if (strlen(text) > 17 && text[16] == ':' && strspn(text, "0123456789abcdef") == 16) {
        end.run = strtoull(text, NULL, 16);
        seq = text + 17;
    }
    if (*seq == '\0' || strlen(seq) > 19 || strspn(seq, "0123456789") != strlen(seq))
        return end;
    end.seq = strtoull(seq, NULL, 10);
    end.kind = end.seq > 0 ? END_SEQ : END_NEITHER;
    return end;
}

static int read_ends(const struct asked *asked, struct end *from, struct end *end,
                     struct answer *to)
{
    *from = read_end(asked->from);
    *end = read_end(asked->to);
    const char *bad = from->kind == END_NEITHER  ? asked->from
                      : end->kind == END_NEITHER ? asked->to
                                                 : NULL;
    if (bad != NULL)
        return answer(to, EX_USAGE,
                      "'%s' is neither a time with its offset (2031-03-01T06:00:00Z) nor a "
                      "sequence number (88120, or with its run 9f3c61d2a07b44e8:88120).",
                      bad);
    if (from->kind != end->kind)
        return answer(to, EX_USAGE,
                      "'%s' and '%s' are a time and a sequence number: give both ends alike.",
                      asked->from, asked->to);
    if (from->kind == END_TIME ? from->utc_ms > end->utc_ms : from->seq > end->seq)
        return answer(to, EX_USAGE, "The range ends (%s) before it begins (%s).", asked->to,
                      asked->from);
    return 0;
}

static int find_rows(const struct core *core, struct journal_reader *reader, struct asked *asked,
                     struct answer *to)
{
    const struct core_well *well = &core->wells[asked->well_index];
    struct up_error error = {0};
    struct end from, end;
    const int code = read_ends(asked, &from, &end, to);
    if (code != 0)
        return code;
    const enum up_rc rc = from.kind == END_TIME
                              ? journal_range_of_time(reader, well->plan->number, from.utc_ms,
                                                      end.utc_ms, &asked->range, &error)
                              : journal_range_of_seq(reader, well->plan->number, from.seq, end.seq,
                                                     &asked->range, &error);
    if (rc != UP_OK)
        return answer(to, EX_IOERR, "The journal could not be read: %.150s.", error.why);
    if (asked->range.from == 0)
        return answer(to, EX_NOINPUT,
                      "The journal does not hold %s of %s from %s to %s; its newest is %" PRIu64
                      ".",
                      from.kind == END_TIME ? "any record" : "the records", well->plan->id,
                      asked->from, asked->to, core_newest_seq(core, asked->well_index));
    if ((from.run != 0 && from.run != asked->range.from_run) ||
        (end.run != 0 && end.run != asked->range.to_run))
        return answer(to, EX_NOINPUT,
                      "The journal does not hold the records from %s to %s: its own of that number "
                      "are of another run.",
                      asked->from, asked->to);
    return 0;
}

/** What has not been accepted yet goes out by itself, and never behind its own repetition. */
static int only_accepted(const struct core *core, struct asked *asked, struct answer *to)
{
    const struct core_cursor *cursor =
        &core->destinations[asked->destination_index].cursor[0][asked->well_index];
    struct row_range *range = &asked->range;
    if (range->from > cursor->pos)
        return answer(to, EX_TEMPFAIL,
                      "%s has not accepted any of these records yet; they are stored and go out by "
                      "themselves.",
                      asked->destination);
    if (range->to > cursor->pos)
        range->to = cursor->pos, range->to_seq = cursor->seq;
    return 0;
}

bool resend_commit(struct core *core, size_t n_before)
{
    core_commit(core, false);
    const bool is_stored = core->resend.n_waiting == 0;
    if (!is_stored)
        core->resend.n_waiting = n_before;
    return is_stored;
}

/** For each order that revised rows of the range one that sends those as it made them. */
static bool add_revised(struct core *core, struct journal_reader *reader,
                        const struct row_order *order, bool *is_too_many, struct up_error *error)
{
    struct row_order maker = {.pos = UINT64_MAX};
    enum up_rc rc = UP_OK;
    *is_too_many = false;
    for (bool whole = false; rc == UP_OK && !whole;) {
        struct row_order part = *order;
        rc = journal_newest_maker(reader, order->well, order->from, order->to, maker.pos, &maker,
                                  error);
        if (rc != UP_OK || maker.pos == 0)
            break;
        part.as_of = maker.pos;
        part.revision = maker.revision;
        part.set = maker.set;
        *is_too_many = core->resend.n_waiting + 1 >= RESEND_ORDERS_A_COMMIT;
        if (*is_too_many || !resend_add(core, &part))
            return false;
        whole = maker.kind == ORDER_RECALCULATE && maker.from <= order->from &&
                maker.to >= order->to; /* nothing older is any row's newest */
    }
    return rc == UP_OK;
}

/** Parts for revised rows, newest first, then the order itself, for rows as first measured. */
static int give(struct core *core, struct journal_reader *reader, const char *who,
                const struct asked *asked, struct answer *to)
{
    struct up_error error = {0};
    struct row_order order = {.kind = ORDER_RESEND,
                              .well = core->wells[asked->well_index].plan->number,
                              .from = asked->range.from,
                              .to = asked->range.to,
                              .from_seq = asked->range.from_seq,
                              .to_seq = asked->range.to_seq};
    snprintf(order.destination, sizeof order.destination, "%.32s", asked->destination);
    by_hand_who(asked->role, who, order.by, sizeof order.by);
    snprintf(order.reason, sizeof order.reason, "%s", asked->reason);
    const size_t before = core->resend.n_waiting;
    bool is_too_many = false;
    bool taken = add_revised(core, reader, &order, &is_too_many, &error);
    taken = taken && resend_add(core, &order);
    if (!taken)
        core->resend.n_waiting = before;
    if (is_too_many)
        return answer(to, EX_TEMPFAIL,
                      "Rows of this range were revised by more than %d orders; ask for shorter "
                      "ranges, one after the other.",
                      RESEND_REVISED_MAX);
    if (!taken || !resend_commit(core, before))
        return by_hand_not_stored(to);
    char count[RESEND_COUNT_MAX];
    return answer(to, 0,
                  "%s records of %s (%" PRIu64 " to %" PRIu64
                  ") will be sent again to %s, as asked by %s%s%.90s.",
                  resend_count_text(order.to_seq - order.from_seq + 1, count), asked->well,
                  order.from_seq, order.to_seq, asked->destination, order.by,
                  asked->reason[0] != '\0' ? ": " : "", asked->reason);
}

int resend_by_hand(struct core *core, const char *who, const char *arguments, char *text,
                   size_t room)
{
    struct answer to = {.text = text, .room = room};
    struct asked asked = {0};
    struct journal_reader *reader = NULL;
    int code = read_words(arguments, &asked, &to);
    if (code == 0)
        code = find_names(core, &asked, &to);
    if (code == 0)
        code = by_hand_open(core, &reader, &to);
    if (code == 0)
        code = find_rows(core, reader, &asked, &to);
    if (code == 0)
        code = only_accepted(core, &asked, &to);
    if (code == 0)
        code = give(core, reader, who, &asked, &to);
    journal_reader_close(reader);
    return code;
}
