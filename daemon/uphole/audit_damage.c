/* SPDX-License-Identifier: Apache-2.0
 *
 * audit_damage.c - scans that the journal held and can't read back. A hole in seq is explained by a
 * row of kind `damaged` as far as it lies between that row's seqs, and up to as many scans as the
 * row names; what is left over is not explained, and the books do not hold.
 *
 * Which of the missing scans a destination had accepted before follows from its place when the
 * damage was noted: nothing behind it was handed on before.
 */
#include "audit.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

/** Earlier than the due time of any scan that began here: no period is longer. */
#define PERIOD_MOST_MS INT64_C(86400000)

void audit_note_damage(struct audit *audit, const struct gap *gap)
{
    if (gap->kind != GAP_DAMAGED)
        return;
    if (audit->n_damages == AUDIT_DAMAGES_MAX) {
        audit->full = true;
        return;
    }
    struct audit_damage *damage = &audit->damages[audit->n_damages++];
    *damage = (struct audit_damage){.run = gap->run,
                                    .id = gap->id,
                                    .well = gap->well,
                                    .source = gap->source,
                                    .before = gap->before_seq,
                                    .end = gap->after_seq != 0 ? gap->after_seq
                                                               : gap->before_seq + gap->scans + 1,
                                    .scans = gap->scans,
                                    .from_utc_ms = gap->start.utc_ms,
                                    .to_utc_ms = gap->end.utc_ms};
    damage->has_key = audit_key_of(audit, &gap->start, gap->pos, &damage->first) &&
                      audit_key_of(audit, &gap->end, gap->pos, &damage->last);
    if (!damage->has_key)
        return;
    const int64_t began_ms = audit->runs[damage->first.run].began.boot_ms;
    damage->first.boot_ms -= PERIOD_MOST_MS;
    if (damage->first.boot_ms < began_ms)
        damage->first.boot_ms = began_ms;
}

static struct audit_damage *damage_of_row(struct audit *audit, const struct damage_book *book)
{
    for (size_t i = 0; book->run != 0 && i < audit->n_damages; i++)
        if (audit->damages[i].run == book->run && audit->damages[i].id == book->id)
            return &audit->damages[i];
    return NULL;
}

static enum up_rc read_accepted(struct audit *audit, const struct damage_book *book,
                                struct audit_damage *damage, struct up_error *error)
{
    struct cursor *cursors = calloc(AUDIT_PLACES_MAX, sizeof *cursors);
    size_t got = 0;
    if (cursors == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory to read what was accepted");
    const enum up_rc rc = journal_read_damage_accepted(audit->reader, book->kind, book->number,
                                                       cursors, AUDIT_PLACES_MAX, &got, error);
    for (size_t i = 0; rc == UP_OK && i < got; i++) {
        struct audit_place *place =
            cursors[i].well == damage->well && cursors[i].seq > damage->before
                ? audit_place_of(audit, cursors[i].destination, damage->well)
                : NULL;
        if (place == NULL)
            continue;
        if (audit->n_accepted == AUDIT_ACCEPTED_MAX) {
            audit->full = true;
            break;
        }
        audit->accepted[audit->n_accepted++] =
            (struct audit_accepted){.place = (size_t)(place - audit->places),
                                    .damage = (size_t)(damage - audit->damages),
                                    .seq = cursors[i].seq};
    }
    free(cursors);
    return rc;
}

enum up_rc audit_read_damages(struct audit *audit, struct up_error *error)
{
    struct damage_book slice[AUDIT_SLICE];
    size_t got = AUDIT_SLICE;
    uint8_t kind = 0;
    uint64_t number = 0;
    enum up_rc rc = UP_OK;
    while (rc == UP_OK && got == AUDIT_SLICE && audit->n_damages > 0) {
        rc = journal_read_damages(audit->reader, kind, number, AUDIT_SLICE, slice, &got, error);
        for (size_t i = 0; rc == UP_OK && i < got; i++) {
            struct audit_damage *damage = damage_of_row(audit, &slice[i]);
            kind = slice[i].kind;
            number = slice[i].number;
            if (damage == NULL)
                continue;
            damage->kind = kind;
            damage->number = number;
            rc = read_accepted(audit, &slice[i], damage, error);
        }
    }
    return rc;
}

bool audit_is_told(const struct audit *audit, uint8_t kind, uint64_t number)
{
    for (size_t i = 0; i < audit->n_damages; i++)
        if (audit->damages[i].kind == kind && audit->damages[i].number == number)
            return true;
    return false;
}

bool audit_is_damaged(const struct audit *audit, uint16_t well, uint64_t seq)
{
    for (size_t i = 0; i < audit->n_damages; i++)
        if (audit->damages[i].well == well && audit->damages[i].before < seq &&
            seq < audit->damages[i].end)
            return true;
    return false;
}

uint64_t audit_overlap(uint64_t after_a, uint64_t to_a, uint64_t after_b, uint64_t to_b)
{
    const uint64_t after = after_a > after_b ? after_a : after_b, to = to_a < to_b ? to_a : to_b;
    return to > after ? to - after : 0;
}

static struct audit_accepted *accepted_of(struct audit *audit, size_t place, size_t damage)
{
    for (size_t i = 0; i < audit->n_accepted; i++)
        if (audit->accepted[i].place == place && audit->accepted[i].damage == damage)
            return &audit->accepted[i];
    return NULL;
}

/** The missing seqs (after, to] were among those of a damage. */
static void take(struct audit *audit, struct audit_well *well, size_t index, uint64_t after,
                 uint64_t to)
{
    well->damaged += to - after;
    for (size_t i = 0; i < audit->n_places; i++) {
        struct audit_place *place = &audit->places[i];
        if (place->well != well->number)
            continue;
        struct audit_accepted *accepted = accepted_of(audit, i, index);
        const uint64_t seq = accepted == NULL ? 0 : accepted->seq;
        const uint64_t n = audit_overlap(after, to, 0, seq);
        place->damaged_accepted += n;
        place->damaged_passed += audit_overlap(after, to, seq, place->seq);
        if (accepted != NULL)
            accepted->scans += n;
    }
}

/** The one of those that may hold `seq` whose seqs end first; *until: the first seq behind it where
 * that may be another. n_damages: none. */
static size_t next_to_end(const struct audit *audit, uint16_t well, uint64_t seq, uint64_t *until)
{
    size_t best = audit->n_damages;
    for (size_t i = 0; i < audit->n_damages; i++) {
        const struct audit_damage *damage = &audit->damages[i];
        if (damage->well != well || damage->missing >= damage->scans)
            continue;
        if (damage->before >= seq && damage->before + 1 < *until)
            *until = damage->before + 1;
        if (damage->before < seq && seq < damage->end &&
            (best == audit->n_damages || damage->end < audit->damages[best].end))
            best = i;
    }
    return best;
}

uint64_t audit_explain(struct audit *audit, struct audit_well *well, uint64_t from, uint64_t to,
                       bool counts)
{
    uint64_t left_over = 0;
    while (from <= to) { /* each step takes up a damage, or goes behind one's begin or end */
        uint64_t until = to + 1;
        const size_t best = next_to_end(audit, well->number, from, &until);
        if (best == audit->n_damages) {
            left_over += until - from;
            from = until;
            continue;
        }
        struct audit_damage *damage = &audit->damages[best];
        until = damage->end < until ? damage->end : until;
        const uint64_t room = damage->scans - damage->missing;
        until = until - from > room ? from + room : until;
        damage->missing += (uint32_t)(until - from);
        if (counts)
            take(audit, well, best, from - 1, until - 1);
        from = until;
    }
    return left_over;
}

static bool is_within(const struct audit *audit, const struct audit_damage *damage)
{
    for (size_t i = 0; i < audit->n_sources; i++)
        if (audit->sources[i].well == damage->well && audit->sources[i].source == damage->source)
            return damage->has_key && audit_is_within(&audit->sources[i], &damage->first);
    return false;
}

void audit_close_damages(struct audit *audit)
{
    size_t n = 0;
    for (size_t i = 0; i < audit->n_damages; i++) {
        const struct audit_damage *damage = &audit->damages[i];
        struct audit_source *source = audit_source_of(audit, damage->well, damage->source);
        if (source == NULL || !is_within(audit, damage))
            continue;
        source->damaged += damage->missing;
        source->never_refreshes += damage->missing * source->weight;
        n++;
    }
    audit->n_damages_within = n;
}

bool audit_damage_is_within(const struct audit *audit, size_t index)
{
    return is_within(audit, &audit->damages[index]);
}
