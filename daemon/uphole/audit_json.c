/* SPDX-License-Identifier: Apache-2.0
 *
 * audit_json.c - the sums of `uphole audit` as one object, for a program.
 */
#include "audit.h"

#include <inttypes.h>
#include <stdio.h>

static void print_text(const char *text)
{
    putchar('"');
    for (; *text != '\0'; text++) {
        if (*text == '"' || *text == '\\')
            putchar('\\');
        if ((unsigned char)*text >= 0x20)
            putchar(*text);
    }
    putchar('"');
}

static void print_instant(const struct audit *audit, const struct audit_key *key)
{
    char text[STAMP_TEXT_MAX];
    if (key->run >= audit->n_runs || key->boot_ms == INT64_MIN) {
        printf("null");
        return;
    }
    const struct stamp *began = &audit->runs[key->run].began;
    printf("\"%s\"", stamp_to_text(began->utc_ms + (key->boot_ms - began->boot_ms), text));
}

static void print_json_points(const struct audit_source *source)
{
    const char *lead = "";
    printf(",\"points\":[");
    for (uint16_t p = 1; p < POINT_COUNT; p++) {
        const struct audit_point *point = &source->point[p];
        if (!audit_is_fitted(source, p))
            continue;
        printf("%s{\"point\":\"%s\",\"came\":%.3f,\"missing_planned\":%.3f,"
               "\"missing_unplanned\":%.3f}",
               lead, point_get(p)->id, point->got, point->planned + source->never_refreshes_planned,
               point->unplanned + source->never_refreshes - source->never_refreshes_planned);
        lead = ",";
    }
    printf("]");
}

static void print_json_sources(struct audit *audit)
{
    for (size_t i = 0; i < audit->n_sources; i++) {
        const struct audit_source *source = &audit->sources[i];
        printf("%s\n{\"well\":\"%s\",\"source\":\"%s\",\"from\":", i > 0 ? "," : "",
               audit_name(audit, source->well), source_name(source->source));
        print_instant(audit, &source->low);
        printf(",\"to\":");
        print_instant(audit, &source->high);
        printf(",\"due\":%" PRId64 ",\"due_least\":%" PRId64 ",\"due_most\":%" PRId64
               ",\"rows\":%" PRId64 ",\"never_attempted\":%" PRId64
               ",\"never_attempted_planned\":%" PRId64 ",\"damaged\":%" PRId64
               ",\"holds\":%s,\"refreshes_due\":%.3f",
               source->due, source->due - source->less, source->due + source->more, source->rows,
               source->never, source->never_planned, source->damaged,
               audit_source_holds(source) ? "true" : "false", source->refreshes_due);
        print_json_points(source);
        printf("}");
    }
}

static void print_json_damages(struct audit *audit)
{
    const char *lead = "";
    char from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX];
    printf("\"damages\":[");
    for (size_t i = 0; i < audit->n_damages; i++) {
        const struct audit_damage *damage = &audit->damages[i];
        const char *between = "";
        if (!audit_damage_is_within(audit, i))
            continue;
        printf("%s\n{\"well\":\"%s\",\"source\":\"%s\",\"from\":\"%s\",\"to\":\"%s\",\"scans\":"
               "%" PRIu32 ",\"after_seq\":%" PRIu64 ",\"before_seq\":%" PRIu64 ",\"accepted\":{",
               lead, audit_name(audit, damage->well), source_name(damage->source),
               stamp_to_text(damage->from_utc_ms, from), stamp_to_text(damage->to_utc_ms, to),
               damage->missing, damage->before, damage->end);
        for (size_t k = 0; k < audit->n_accepted; k++) {
            if (audit->accepted[k].damage != i)
                continue;
            printf("%s\"%s\":%" PRIu64, between,
                   audit->places[audit->accepted[k].place].destination, audit->accepted[k].scans);
            between = ",";
        }
        printf("}}");
        lead = ",";
    }
    printf("],\n");
}

void audit_print_json(struct audit *audit)
{
    char from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX], digest[2 * JOURNAL_DIGEST_BYTES + 1];
    printf("{\"from\":");
    print_instant(audit, &audit->low);
    printf(",\"to\":");
    print_instant(audit, &audit->high);
    printf(",\"removed\":%" PRIu64, audit->removed.rows);
    printf(",\"newest_row\":%" PRIu64 ",\"scans_read\":%" PRIu64 ",\"revisions_read\":%" PRIu64
           ",\"damaged\":%" PRIu64 ",\n\"sources\":[",
           audit->newest_pos, audit->n_rows, audit->n_revisions, audit->n_damaged);
    print_json_sources(audit);
    printf("],\n\"destinations\":[");
    for (size_t i = 0; i < audit->n_places; i++) {
        const struct audit_place *place = &audit->places[i];
        printf("%s\n{\"well\":\"%s\",\"destination\":\"%s\",\"rows\":%" PRId64
               ",\"accepted\":%" PRId64 ",\"pending\":%" PRId64 ",\"set_aside\":%" PRId64
               ",\"damaged\":%" PRId64 ",\"holds\":%s}",
               i > 0 ? "," : "", audit_name(audit, place->well), place->destination, place->rows,
               place->accepted, place->pending, place->aside, place->damaged,
               audit_place_holds(place) ? "true" : "false");
    }
    printf("],\n");
    print_json_damages(audit);
    printf("\"sealed\":{\"blocks\":%" PRIu64 ",\"blocks_damaged\":%" PRIu64 ",\"scans\":%" PRIu64
           ",\"up_to_row\":%" PRIu64 ",\"digest\":",
           audit->n_blocks - audit->n_blocks_damaged, audit->n_blocks_damaged, audit->n_sealed,
           audit->chain.sealed_to);
    if (audit->chain.sealed > 0)
        printf("\"%s\"", audit_digest_text(audit, digest));
    else
        printf("null");
    printf("},\n\"undecided\":[");
    for (size_t i = 0; i < audit->n_undecided && i < AUDIT_UNDECIDED_MAX; i++) {
        const struct audit_undecided *at = &audit->undecided[i];
        printf("%s\n{\"well\":\"%s\",\"source\":\"%s\",\"from\":\"%s\",\"to\":\"%s\","
               "\"why\":\"%s\"}",
               i > 0 ? "," : "", audit_name(audit, at->well), source_name(at->source),
               stamp_to_text(at->from_utc_ms, from), stamp_to_text(at->to_utc_ms, to),
               at->is_unwritten ? "not_written_yet" : "length_unknown");
    }
    printf("],\n\"faults\":[");
    for (size_t i = 0; i < audit->n_faults && i < AUDIT_FAULTS_MAX; i++) {
        printf("%s\n", i > 0 ? "," : "");
        print_text(audit->fault[i]);
    }
    printf("],\n\"faults_in_all\":%zu}\n", audit->n_faults);
}
