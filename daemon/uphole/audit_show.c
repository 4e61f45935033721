/* SPDX-License-Identifier: Apache-2.0
 *
 * audit_show.c - the sums of `uphole audit`, with both sides, in aligned columns.
 */
#include "audit.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

int64_t audit_source_more(const struct audit_source *source)
{
    return source->rows + source->never + source->damaged - source->due;
}

bool audit_source_holds(const struct audit_source *source)
{
    const int64_t more = audit_source_more(source);
    return more >= -source->less && more <= source->more;
}

bool audit_place_holds(const struct audit_place *place)
{
    return place->rows == place->accepted + place->pending + place->aside + place->damaged &&
           place->accepted >= 0;
}

void audit_sentence(struct audit *audit, char *into, size_t room)
{
    if (audit->n_faults > 0) {
        snprintf(into, room, "%s", audit->fault[0]);
        return;
    }
    for (size_t i = 0; i < audit->n_sources; i++) {
        const struct audit_source *source = &audit->sources[i];
        const int64_t more = audit_source_more(source);
        if (audit_source_holds(source))
            continue;
        snprintf(into, room, "%s %s: %" PRId64 " %s", audit_name(audit, source->well),
                 source_name(source->source), more < 0 ? -more : more,
                 more < 0 ? "polls were due and are nowhere accounted for"
                          : "polls more than were due");
        return;
    }
    for (size_t i = 0; i < audit->n_places; i++)
        if (!audit_place_holds(&audit->places[i]))
            snprintf(into, room, "%s to %s: rows are not accepted, pending, set aside and damaged",
                     audit_name(audit, audit->places[i].well), audit->places[i].destination);
}

/** UTC of an instant, by the clocks of its run's begin; `otherwise` beyond the runs. */
static const char *instant(const struct audit *audit, const struct audit_key *key,
                           const char *otherwise, char into[static STAMP_TEXT_MAX])
{
    if (key->run >= audit->n_runs || key->boot_ms == INT64_MIN)
        return otherwise;
    const struct stamp *began = &audit->runs[key->run].began;
    return stamp_to_short_text(began->utc_ms + (key->boot_ms - began->boot_ms), into);
}

static void print_due(struct audit *audit)
{
    char from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX];
    const bool damaged = audit->n_damages_within > 0; /* else a column of zeros */
    printf("Polls: due = rows + never attempted%s\n", damaged ? " + damaged" : "");
    for (size_t i = 0; i < audit->n_sources; i++) {
        const struct audit_source *source = &audit->sources[i];
        const int64_t more = audit_source_more(source);
        printf("  %-16s %-9s %10" PRId64 " = %10" PRId64 " + %8" PRId64,
               audit_name(audit, source->well), source_name(source->source), source->due,
               source->rows, source->never);
        if (damaged)
            printf(" + %6" PRId64, source->damaged);
        printf("   ");
        if (audit_source_holds(source) && more == 0)
            printf("holds");
        else if (audit_source_holds(source))
            printf("holds: due is known within -%" PRId64 " to +%" PRId64 ", an entry took over",
                   source->less, source->more);
        else
            printf("DOES NOT HOLD: %" PRId64 " %s", more < 0 ? -more : more,
                   more < 0 ? "due and nowhere accounted for" : "more than were due");
        if (source->widened || !audit_source_holds(source))
            printf(", in %s to %s", instant(audit, &source->low, "the begin", from),
                   instant(audit, &source->high, "the newest row", to));
        if (source->widened)
            printf(" (wider than asked: a counted gap lies across an end)");
        printf("\n");
    }
}

static void print_places(struct audit *audit)
{
    const bool damaged = audit->n_damages_within > 0;
    printf("Rows: rows = accepted + pending + set aside%s, a destination\n",
           damaged ? " + damaged and not accepted before" : "");
    for (size_t i = 0; i < audit->n_places; i++) {
        const struct audit_place *place = &audit->places[i];
        const int64_t off =
            place->rows - place->accepted - place->pending - place->aside - place->damaged;
        printf("  %-16s %10" PRId64 " = %10" PRId64 " + %8" PRId64 " + %6" PRId64,
               audit_name(audit, place->well), place->rows, place->accepted, place->pending,
               place->aside);
        if (damaged)
            printf(" + %6" PRId64, place->damaged);
        printf("   to %s: ", place->destination);
        if (audit_place_holds(place))
            printf("holds\n");
        else
            printf("DOES NOT HOLD: %" PRId64 " rows %s\n", off < 0 ? -off : off,
                   off < 0 ? "that seq says were there are missing" : "too many for their seqs");
    }
}

/** What was delivered before the damage still exists where it was delivered. */
static void print_damages(struct audit *audit)
{
    char from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX];
    if (audit->n_damages_within > 0)
        printf("Damaged: scans that can't be read back, and who had accepted them before\n");
    for (size_t i = 0; i < audit->n_damages; i++) {
        const struct audit_damage *damage = &audit->damages[i];
        if (!audit_damage_is_within(audit, i))
            continue;
        printf("  %-16s %-9s %10" PRIu32 "   seq %" PRIu64 " to %" PRIu64 ", %s to %s",
               audit_name(audit, damage->well), source_name(damage->source), damage->missing,
               damage->before + 1, damage->end - 1, stamp_to_short_text(damage->from_utc_ms, from),
               stamp_to_short_text(damage->to_utc_ms, to));
        if (damage->missing < damage->scans)
            printf("; %" PRIu32 " more are in the ledger's row and can be read",
                   damage->scans - damage->missing);
        for (size_t k = 0; k < audit->n_accepted; k++)
            if (audit->accepted[k].damage == i && audit->accepted[k].scans > 0)
                printf("; %s had accepted %" PRIu64 " of them",
                       audit->places[audit->accepted[k].place].destination,
                       audit->accepted[k].scans);
        printf("\n");
    }
}

static double percent(double part, double of)
{
    return of <= 0 ? 100 : part / of * 100;
}

bool audit_is_fitted(const struct audit_source *source, uint16_t point)
{
    return source->point[point].is_mapped &&
           !(source->rows_with_data > 0 && source->point[point].markers == source->rows_with_data);
}

/** Points of which the same is to be said stand in one row. */
static void print_points(struct audit *audit, const struct audit_source *source)
{
    for (uint16_t p = 1; p < POINT_COUNT; p++) {
        const struct audit_point *point = &source->point[p];
        unsigned n = 0;
        bool told = false;
        for (uint16_t k = 1; k < POINT_COUNT; k++) {
            const struct audit_point *other = &source->point[k];
            const bool alike = audit_is_fitted(source, k) && other->got == point->got &&
                               other->planned == point->planned;
            told = told || (alike && k < p);
            n += alike;
        }
        if (!audit_is_fitted(source, p) || told)
            continue;
        const double planned = point->planned + source->never_refreshes_planned;
        const double unplanned =
            point->unplanned + source->never_refreshes - source->never_refreshes_planned;
        char what[64];
        snprintf(what, sizeof what, n > 1 ? "%s and %u more" : "%s", point_get(p)->id, n - 1);
        printf("  %-16s %-9s %10.0f = %10.0f + %8.0f + %8.0f   %6.2f %%  %s\n",
               audit_name(audit, source->well), source_name(source->source), source->refreshes_due,
               point->got, planned, unplanned, percent(point->got, source->refreshes_due), what);
    }
}

static void print_undecided(struct audit *audit)
{
    char from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX];
    bool unwritten = false;
    for (size_t i = 0; i < audit->n_undecided && i < AUDIT_UNDECIDED_MAX; i++) {
        const struct audit_undecided *at = &audit->undecided[i];
        printf("%s %s: undecided between %s and %s: %s\n", audit_name(audit, at->well),
               source_name(at->source), stamp_to_short_text(at->from_utc_ms, from),
               stamp_to_short_text(at->to_utc_ms, to),
               at->is_unwritten ? "what became of these polls is not written yet"
                                : "no clock could tell how long that was");
        unwritten = unwritten || at->is_unwritten;
    }
    if (audit->n_undecided > AUDIT_UNDECIDED_MAX)
        printf("and %zu more\n", audit->n_undecided - AUDIT_UNDECIDED_MAX);
    if (unwritten)
        printf(
            "  Uphole could not write that down: it was killed, or its disk took nothing more, or "
            "it has only just started.\n"
            "  Its next start counts these polls in the ledger, with its first rows. Start it, or "
            "wait a minute where it runs, and audit again.\n");
}

/** Of what time the sums are. Months later "the newest row" alone would say nothing. */
static void print_span(struct audit *audit)
{
    char from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX], begin[80] = "the journal's begin",
                                                   end[80] = "its newest row";
    int64_t first_ms = 0, last_ms = 0;
    if (journal_span(audit->reader, &first_ms, &last_ms)) {
        snprintf(begin, sizeof begin, "the journal's begin (%s)",
                 stamp_to_short_text(first_ms, from));
        snprintf(end, sizeof end, "its newest row (%s)", stamp_to_short_text(last_ms, to));
    }
    printf("Books from %s to %s, up to row %" PRIu64 "\n\n",
           audit->asked.has_from ? stamp_to_short_text(audit->asked.from_utc_ms, from) : begin,
           audit->asked.has_to ? stamp_to_short_text(audit->asked.to_utc_ms, to) : end,
           audit->newest_pos);
}

void audit_print(struct audit *audit)
{
    char from[STAMP_TEXT_MAX], digest[2 * JOURNAL_DIGEST_BYTES + 1];
    bool holds = audit->n_faults == 0;
    print_span(audit);
    if (audit->removed.pos != 0)
        printf("Retention has removed %" PRIu64
               " scans, up to %s; the books begin behind them.\n\n",
               audit->removed.rows, stamp_to_short_text(audit->removed.utc_ms, from));
    print_due(audit);
    print_places(audit);
    print_damages(audit);
    printf("Gauge refreshes: due = came + missing, planned + missing, not planned\n");
    for (size_t i = 0; i < audit->n_sources; i++)
        if (audit->sources[i].due > 0)
            print_points(audit, &audit->sources[i]);
    printf("Read: %" PRIu64 " scans and %" PRIu64 " revisions of the ledger; %" PRIu64
           " with a check that does not hold\n",
           audit->n_rows, audit->n_revisions, audit->n_damaged);
    if (audit->chain.sealed > 0)
        printf("Sealed: %" PRIu64 " blocks with %" PRIu64 " scans of all wells proven, up to row "
               "%" PRIu64 "\n  one value fixes them and all before them: SHA-256 %s\n",
               audit->n_blocks - audit->n_blocks_damaged, audit->n_sealed, audit->chain.sealed_to,
               audit_digest_text(audit, digest));
    if (audit->n_blocks_damaged > 0)
        printf("  %" PRIu64 " more are damaged; what they held was fixed by that value as well, "
               "and so is what lies before them\n",
               audit->n_blocks_damaged);
    printf("\n");
    for (size_t i = 0; i < audit->n_faults && i < AUDIT_FAULTS_MAX; i++)
        printf("%s\n", audit->fault[i]);
    if (audit->n_faults > AUDIT_FAULTS_MAX)
        printf("and %zu more\n", audit->n_faults - AUDIT_FAULTS_MAX);
    for (size_t i = 0; i < audit->n_sources; i++)
        holds = holds && audit_source_holds(&audit->sources[i]);
    for (size_t i = 0; i < audit->n_places; i++)
        holds = holds && audit_place_holds(&audit->places[i]);
    print_undecided(audit);
    printf("%s\n", !holds                   ? "The books DO NOT HOLD."
                   : audit->n_undecided > 0 ? "The books hold, but for what is undecided."
                                            : "The books hold.");
}
