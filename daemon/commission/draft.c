/* SPDX-License-Identifier: Apache-2.0
 *
 * draft.c - a map begun from live registers: what could be seen is filled in, what only a person
 * can know is marked FILL. A marked line is completed or deleted; then `uphole check --map` takes
 * it.
 */
#include "draft.h"

#include <inttypes.h>
#include <string.h>

static void print_ranges(FILE *out, const struct find_unit *unit)
{
    fputs("readable: [", out);
    const unsigned most = unit->n_ranges < MAP_RANGES_MAX ? unit->n_ranges : MAP_RANGES_MAX;
    for (unsigned i = 0; i < most; i++)
        fprintf(out, "%s{%s: %u to %u}", i > 0 ? ", " : "",
                unit->range[i].table == TABLE_INPUT ? "input" : "holding", unit->range[i].first,
                unit->range[i].last);
    fputs("]    # answered when this was written\n", out);
    if (unit->n_ranges > most)
        fprintf(out, "# %u more ranges answer; a map takes %d.\n", unit->n_ranges - most,
                MAP_RANGES_MAX);
}

static void print_refresh(FILE *out, const struct register_book *book)
{
    unsigned most = 0;
    for (unsigned i = 0; i < book->n; i++) {
        const unsigned changes = book_changes(book, (int)i);
        most = changes > most ? changes : most;
    }
    const int64_t span_us =
        book->n_samples > 0 ? book->taken_us[book->n_samples - 1] - book->taken_us[0] : 0;
    fputs("refresh: FILL                 # how often new data of the gauge arrive; 28 s is usual. ",
          out);
    if (most == 0)
        fprintf(out, "Nothing changed in %" PRId64 " s\n", span_us / 1000000);
    else
        fprintf(out, "The liveliest register changed %u times in %" PRId64 " s\n", most,
                span_us / 1000000);
}

void find_print_draft(FILE *out, const struct find_report *report, const char *name)
{
    const struct find_unit *unit = &report->unit;
    fprintf(
        out,
        "# A draft, written from live registers: `FILL` marks what only the unit's document or its "
        "screen can tell.\n"
        "# Complete a marked line, or delete it; then `uphole check --map %s.yaml`. Numbers prove "
        "nothing yet:\n"
        "# compare each value with the surface unit's own screen before its unit is confirmed.\n",
        name);
    fprintf(out, "map: %s\n", name);
    fprintf(out, "about: Draft of unit id %u", unit->unit_id);
    for (unsigned i = 0; i < unit->n_objects && i < 3; i++) {
        const char *text = strchr(unit->object[i], ' ');
        char plain[FIND_TEXT_MAX];
        size_t n = 0;
        for (; text != NULL && *text != '\0' && n + 1 < sizeof plain; text++)
            if (strchr(" abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-.", *text))
                plain[n++] = *text;
        plain[n] = '\0';
        fputs(plain, out);
    }
    fputs("\nnumbering: from-0             # as on the wire; addresses below were asked as they "
          "stand\n",
          out);
    print_refresh(out, &report->book);
    fputs("# first_data: 25 s            # longest time from power-up to the first data\n", out);
    if (unit->largest_read != 0)
        fprintf(out, "largest_read: %u registers    # more were refused\n", unit->largest_read);
    print_ranges(out, unit);
    fputs("# never: [{holding: 100 to 199}]   # settings and commands by the unit's document: left "
          "alone\n"
          "# gauge_status: {input: 0, bits: {0: live}}   # see the candidates below\n"
          "channels:\n",
          out);
    draft_print_channels(out, &report->book);
}
