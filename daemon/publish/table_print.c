/* SPDX-License-Identifier: Apache-2.0
 *
 * table_print.c - prints the layout that is served; here: which form, and what all forms share.
 */
#include "table_print.h"

#include <stdlib.h>
#include <string.h>

const char *print_unit_set(const struct view *view)
{
    static const char *const names[] = {"", "metric", "us", "own"};
    return view->units.set < sizeof names / sizeof *names ? names[view->units.set] : "";
}

const char *print_word_order(const struct view *view)
{
    return view->words == WORDS_LOW_FIRST ? "low-word-first" : "high-word-first";
}

const char *print_missing(const struct view *view, char into[static NUMBER_TEXT_MAX])
{
    if (view->missing_as == 1)
        return "the last value";
    if (view->missing_as == 2 && number_to_text(view->missing_number, 0, into) > 0)
        return into;
    return "not a number";
}

const char *print_unit(const struct view *view, unsigned point, double *resolution)
{
    double unused;
    unit_number unit =
        unit_choice_of(&view->units, point, resolution != NULL ? resolution : &unused);
    return unit == 0 ? "" : unit_get(unit)->name;
}

static const struct channel *channel_of(const struct plan *plan, const struct well_plan *well,
                                        unsigned point, unsigned *source)
{
    if (plan == NULL || well == NULL)
        return NULL;
    for (unsigned s = SOURCE_GAUGE; s < SOURCE_KINDS; s++) {
        for (unsigned e = well->n_entries[s]; e-- > 0;) { /* the newest entry first */
            const struct map *map = &plan->maps[well->entries[s][e].map];
            const struct channel *channel = map_channel(map, point);
            *source = s;
            if (channel != NULL)
                return channel;
        }
    }
    return NULL;
}

const char *print_reference(const struct plan *plan, const struct well_plan *well, unsigned point)
{
    static const char *const names[] = {"", "absolute", "gauge", "unknown"};
    unsigned source;
    const struct channel *channel = channel_of(plan, well, point, &source);
    if (channel == NULL || channel->reference >= sizeof names / sizeof *names)
        return "";
    return names[channel->reference];
}

const char *print_source(const struct plan *plan, const struct well_plan *well, unsigned point)
{
    unsigned source;
    return channel_of(plan, well, point, &source) == NULL ? "" : source_name((uint8_t)source);
}

static bool same_units(const struct view *a, const struct view *b)
{
    return a->units.set == b->units.set &&
           memcmp(a->units.by_kind, b->units.by_kind, sizeof a->units.by_kind) == 0;
}

bool print_repeats_units(const struct destination_plan *destination, unsigned view)
{
    for (unsigned v = 0; v < view; v++) {
        if (same_units(&destination->views[v], &destination->views[view]))
            return true;
    }
    return false;
}

void print_view_ids(const struct destination_plan *destination, unsigned view, char *into,
                    size_t room)
{
    size_t n = 0;
    into[0] = '\0';
    for (unsigned v = view; v < destination->n_views; v++) {
        if (!same_units(&destination->views[v], &destination->views[view]) || n >= room)
            continue;
        int wrote = snprintf(into + n, room - n, "%s%u", n > 0 ? ", " : "unit id ",
                             destination->views[v].unit_id);
        n += wrote > 0 ? (size_t)wrote : 0;
    }
}

/** The views that the documentation uses. */
static struct destination_plan *generic_destination(void)
{
    struct destination_plan *generic = calloc(1, sizeof *generic);
    if (generic == NULL)
        return NULL;
    generic->medium = DESTINATION_MODBUS_TCP;
    generic->n_views = 4;
    for (unsigned v = 0; v < 4; v++) {
        generic->views[v].unit_id = (uint8_t)(v + 1);
        generic->views[v].units.set = v < 2 ? UNITS_METRIC : UNITS_US;
        generic->views[v].words = v % 2 == 0 ? WORDS_HIGH_FIRST : WORDS_LOW_FIRST;
    }
    return generic;
}

void table_print(void *stream, const struct plan *plan, const struct destination_plan *destination,
                 enum table_form form)
{
    struct destination_plan *generic =
        plan == NULL || destination == NULL ? generic_destination() : NULL;
    const struct table_printer printer = {.out = stream,
                                          .plan = generic != NULL ? NULL : plan,
                                          .destination = generic != NULL ? generic : destination};
    if (printer.destination == NULL)
        return;
    switch (form) {
    case TABLE_CSV:
        table_print_csv(&printer);
        break;
    case TABLE_MARKDOWN:
        table_print_markdown(&printer);
        break;
    case TABLE_JSON:
        table_print_json(&printer);
        break;
    default:
        table_print_text(&printer);
        break;
    }
    free(generic);
}
