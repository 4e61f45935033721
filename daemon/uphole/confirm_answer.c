/* SPDX-License-Identifier: Apache-2.0
 *
 * confirm_answer.c - the question `confirmed`: which units of a well are confirmed, by whom, tied
 * to what, and what ended.
 */
#include "confirm.h"
#include "socket_answer.h"

#include "uphole/measure.h"

#include <string.h>


static const char *state_of(const struct confirm_row *row)
{
    static const char *const NAMES[] = {
        [CONFIRMED_NOT] = "not confirmed",   [CONFIRMED_HOLDS] = "confirmed",
        [CONFIRMED_WITHDRAWN] = "withdrawn", [CONFIRMED_OTHER_SERIAL] = "lapsed",
        [CONFIRMED_OTHER_MAP] = "lapsed",    [CONFIRMED_OTHER_SETTING] = "lapsed"};
    if (row->state != CONFIRMED_HOLDS && row->is_configured)
        return "configured";
    return row->state < sizeof NAMES / sizeof *NAMES ? NAMES[row->state] : NAMES[0];
}

static const char *cause_of(uint8_t state)
{
    return state == CONFIRMED_OTHER_SERIAL    ? "the surface unit's serial number is another"
           : state == CONFIRMED_OTHER_MAP     ? "the map says otherwise of this channel"
           : state == CONFIRMED_OTHER_SETTING ? "the unit-setting register holds another word"
                                              : "the confirmation was withdrawn";
}

void confirmed_as_text(const struct status_view *view, uint16_t well, struct socket_text *text)
{
    struct confirm_row rows[CONFIRM_ROWS_MAX];
    const struct stamp now = stamp_take(view->clock, view->watch);
    const size_t n = confirm_rows(view->core, well, now.utc_ms, rows, CONFIRM_ROWS_MAX);
    char when[STAMP_TEXT_MAX];
    if (n == 0)
        text_add(text, "No channel of %s needs a confirmation of its unit.\n",
                 view->plan->wells[well].id);
    for (size_t i = 0; i < n; i++) {
        const struct confirm_row *row = &rows[i];
        text_add(text, "%-27s  %-13s", point_get(row->channel->point)->id, state_of(row));
        if (row->state == CONFIRMED_HOLDS)
            text_add(text, "  %s  %s  %s", stamp_to_short_text(row->since_utc_ms, when), row->who,
                     row->text);
        else if (row->state != CONFIRMED_NOT)
            text_add(text, "  %s  %s", stamp_to_short_text(row->ended_utc_ms, when),
                     row->ended[0] != '\0' ? row->ended : cause_of(row->state));
        else if (row->is_configured)
            text_add(text, "  in confirmed_units");
        text_add(text, "\n");
    }
    text_add(text, "A confirmation says that screen and registers agree. It does not prove the "
                   "downhole sensor.\n");
}

static void tie_as_json(const struct confirm_row *row, struct socket_text *text)
{
    text_add(text, ",\"tied_to\":{\"serial_number\":");
    if (row->serial_number[0] != '\0')
        text_add_string(text, row->serial_number);
    else
        text_add(text, "null");
    text_add(text, ",\"map\":");
    text_add_string(text, row->map->name);
    if (row->has_setting)
        text_add(text, ",\"unit_register\":%u}", row->setting);
    else
        text_add(text, ",\"unit_register\":null}");
}

void confirmed_as_json(const struct status_view *view, uint16_t well, struct socket_text *text)
{
    struct confirm_row rows[CONFIRM_ROWS_MAX];
    const struct stamp now = stamp_take(view->clock, view->watch);
    const size_t n = confirm_rows(view->core, well, now.utc_ms, rows, CONFIRM_ROWS_MAX);
    text_add(text, "{\"schema\":\"uphole/confirmed/1\",\"well\":");
    text_add_string(text, view->plan->wells[well].id);
    text_add(text, ",\"channels\":[");
    for (size_t i = 0; i < n; i++) {
        const struct confirm_row *row = &rows[i];
        text_add(text, "%s{\"point\":\"%s\",\"unit\":", i > 0 ? "," : "",
                 point_get(row->channel->point)->id);
        text_add_string(text, unit_get(row->channel->unit)->name);
        text_add(text, ",\"state\":\"%s\",\"configured\":%s", state_of(row),
                 row->is_configured ? "true" : "false");
        if (row->state != CONFIRMED_NOT) {
            text_add(text, ",\"since\":");
            text_add_instant(text, row->since_utc_ms);
            text_add(text, ",\"by\":");
            text_add_string(text, row->who);
            text_add(text, ",\"words\":");
            text_add_string(text, row->text);
        }
        if (row->state == CONFIRMED_HOLDS)
            tie_as_json(row, text);
        if (row->state > CONFIRMED_HOLDS) {
            text_add(text, ",\"ended\":");
            text_add_instant(text, row->ended_utc_ms);
            text_add(text, ",\"why\":");
            text_add_string(text, row->ended[0] != '\0' ? row->ended : cause_of(row->state));
        }
        text_add(text, "}");
    }
    text_add(text, "]}\n");
}
