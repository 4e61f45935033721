/* SPDX-License-Identifier: Apache-2.0
 *
 * compare_confirm.c - a channel that is the same as the screen is confirmed by the daemon's order
 * `confirm` (confirm.h), which looks at it once more.
 */
#include "comparing.h"
#include "socket.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

bool comparing_may_confirm(const struct comparing *comparing, const struct pair *pair)
{
    const struct source_entry *entry = unit_link_entry(comparing->link, pair->source);
    return pair->state == PAIR_DONE && pair->result.can_confirm && entry != NULL &&
           pair->point < POINT_COUNT && !entry->confirmed_units[pair->point] &&
           comparing->link->quality[pair->point] != QUALITY_GOOD;
}

/** The number as typed, without its unit. */
static int digits_of(const struct screen_value *value)
{
    return (int)strcspn(value->text, " ");
}

void comparing_confirm(struct comparing *comparing, struct pair *pair)
{
    char order[SOCKET_REQUEST_MAX], instant[STAMP_TEXT_MAX];
    struct up_error error = {0};
    char *body = NULL;
    size_t length = 0;
    struct socket_asked of_order = comparing->asked;
    of_order.well = NULL;
    const int n = snprintf(order, sizeof order, "order confirm %s %s %s %.*s %s %s",
                           comparing->link->well->id, point_get(pair->point)->id,
                           stamp_to_text(pair->instant_utc_ms, instant), digits_of(&pair->value),
                           pair->value.text, unit_get(pair->value.unit)->name, comparing->role);
    if (n < 0 || (size_t)n >= sizeof order) {
        snprintf(pair->said, sizeof pair->said, "not confirmed: the order is too long");
        return;
    }
    const int code = socket_ask(&of_order, order, &body, &length, &error);
    pair->is_confirmed = code == 0;
    if (code == 0)
        snprintf(pair->said, sizeof pair->said, "%.*s", (int)strcspn(body, "\n"), body);
    else
        snprintf(pair->said, sizeof pair->said, "Not confirmed: %.170s.", error.why);
    free(body);
}
