/* SPDX-License-Identifier: Apache-2.0
 *
 * find_show.c - what was found, in plain lines.
 */
#include "find.h"

#include <string.h>

#define SCORES_SHOWN 3

static const char *exception_text(uint8_t code)
{
    static const char *const TEXTS[] = {"",
                                        "illegal function",
                                        "illegal data address",
                                        "illegal data value",
                                        "device failure",
                                        "acknowledge",
                                        "busy"};
    return code < sizeof TEXTS / sizeof TEXTS[0] ? TEXTS[code] : "";
}

static void show_ranges(const struct find_unit *unit)
{
    static const char *const NAMES[] = {"", "", "", "holding registers (function 03)",
                                        "input registers (function 04)"};
    for (uint8_t table = TABLE_INPUT; table >= TABLE_HOLDING; table--) {
        unsigned shown = 0;
        for (unsigned i = 0; i < unit->n_ranges; i++)
            if (unit->range[i].table == table)
                printf("%s%u to %u",
                       shown++ > 0            ? ", "
                       : table == TABLE_INPUT ? "  input registers (function 04): "
                                              : "  holding registers (function 03): ",
                       unit->range[i].first, unit->range[i].last);
        if (shown > 0)
            putchar('\n');
        else if (unit->exception_of[table] != 0)
            printf("  %s: refused, exception %02X %s\n", NAMES[table], unit->exception_of[table],
                   exception_text(unit->exception_of[table]));
    }
    if (!unit->ranges_are_whole && !unit->is_answered_by_listening)
        puts("  The search for registers did not come to its end; more may answer.");
}

static void show_unit(const struct find_report *report)
{
    const struct find_unit *unit = &report->unit;
    const struct line_plan *line = &unit->line;
    printf("Found: unit id %u", unit->unit_id);
    if (line->medium == LINE_MEDIUM_SERIAL)
        printf(" at %u baud 8%c%u", line->baud, line->parity, line->stop_bits);
    else
        printf(", %s", line->framing == LINE_FRAMING_RTU ? "RTU over TCP" : "Modbus TCP");
    if (unit->is_answered_by_listening)
        puts(", by listening alone; not a byte was sent.");
    else
        printf(", after %.1f s; %u questions in all.\n",
               (double)(report->found_us - report->began_us) / 1e6, report->evidence.requests);
    for (unsigned i = 0; i < unit->n_objects; i++)
        printf("%s%s", i == 0 ? "  calls itself (object, text): " : "; ", unit->object[i]);
    if (unit->n_objects > 0)
        putchar('\n');
    show_ranges(unit);
    if (unit->slowest_answer_us > 0)
        printf("  slowest answer %.0f ms%s", (double)unit->slowest_answer_us / 1000,
               unit->largest_read == 0 ? "\n" : "");
    if (unit->largest_read != 0)
        printf("; at most %u registers at once\n", unit->largest_read);
    if (line->medium == LINE_MEDIUM_SERIAL && line->parity == 'N')
        puts("  8N1 and 8N2 mostly can't be told from outside: compare with the unit's screen.");
}

static void show_scores(const struct find_report *report)
{
    unsigned shown = 0;
    for (unsigned i = 0; i < report->n_scores && shown < SCORES_SHOWN; i++) {
        const struct map_score *score = &report->score[i];
        if (score->percent < 20 && score->n_warnings == 0)
            continue;
        if (shown++ == 0)
            puts("\nKnown maps, by how well they fit (no proof: compare with the unit's screen):");
        printf("  %3u %%  %s\n", score->percent, score->map->name);
        for (unsigned l = 0; l < score->n_lines; l++)
            printf("         %s\n", score->line[l]);
        for (unsigned w = 0; w < score->n_warnings; w++)
            printf("         careful: %s\n", score->warning[w]);
    }
    if (shown == 0 && report->has_unit)
        puts("\nNo known map fits. `uphole draft-map` writes a draft from the live registers.");
}

static void show_causes(const struct find_report *report)
{
    if (report->n_causes == 0)
        return;
    puts("\nWhat may be off, by what was counted:");
    for (unsigned i = 0; i < report->n_causes; i++) {
        const struct likely_cause *cause = &report->cause[i];
        printf("  %3u %%  %s.\n", cause->percent, cause->sentence);
        if (i == 0)
            printf("         Evidence: %s.\n", cause->evidence);
        for (int c = 0; c < CAUSE_CHECKS_MAX && cause->checks[c] != NULL; c++)
            printf("         %d. %s\n", c + 1, cause->checks[c]);
    }
    puts("  The cabinet holds dangerous voltage: checks inside only under the site's electrical "
         "work procedure and permit.");
}

static void show_end(const struct find_report *report)
{
    if (report->was_stopped)
        puts("Stopped by hand; the port is as it was.");
    else if (report->ran_out)
        printf("Ended at its bound, after %u questions; %u of %u groups of settings and unit ids "
               "were tried. State what "
               "is known (--speed, --frame, --unit-id), or allow more (--at-most, --requests).\n",
               report->evidence.requests, report->batches_done, report->batches);
    else if (!report->has_unit && !report->was_refused)
        printf("No unit answered: %u questions over all %u groups of settings and unit ids.\n",
               report->evidence.requests, report->batches);
}

void find_show(const struct find_wish *wish, const char *target, const struct find_report *report)
{
    char sentence[1200];
    find_heard_to_text(&report->heard, sentence, sizeof sentence);
    printf("%s\n", target);
    if (report->heard.listened_us > 0)
        printf("Listened for %.0f s, without sending: %llu bytes came.\n",
               (double)report->heard.listened_us / 1e6, (unsigned long long)report->heard.bytes);
    if (sentence[0] != '\0')
        puts(sentence);
    if (report->was_agreed)
        printf("Asked beside it, by agreement of: %s.\n", wish->role);
    if (report->has_unit)
        show_unit(report);
    show_end(report);
    show_scores(report);
    show_causes(report);
    if (!report->has_unit)
        return;
    puts("\nTo paste into the configuration; then run `uphole check`:");
    find_print_stanza(stdout, report);
}
