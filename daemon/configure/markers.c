/* SPDX-License-Identifier: Apache-2.0
 *
 * markers.c - raw contents that mean something else than a number, and the meanings of states.
 *
 * A marker is written as the number in the registers before any scaling, and kept as the words
 * stand on the wire, so that it is compared with the words as they were read, whatever the
 * channel's orders.
 */
#include "rooms.h"

#include <stdio.h>
#include <string.h>

/* BCD, modulo and float registers have bit patterns that aren't their number: only hex says what is
 * meant. */
static bool type_needs_hex(uint8_t type)
{
    return type == TYPE_BCD16 || type == TYPE_BCD32 || type == TYPE_M10K32 || type == TYPE_F32 ||
           type == TYPE_F64;
}

static bool marker_bits(struct plan_faults *faults, const struct node *node, const char *name,
                        const struct channel *channel, uint64_t *bits)
{
    const char *type = register_type_name(channel->type);
    const unsigned width = 16u * channel->n_words, digits = width / 4;
    const bool is_hex =
        node->length > 2 && node->text[0] == '0' && (node->text[1] == 'x' || node->text[1] == 'X');
    const bool is_negative = node->text[0] == '-';
    uint64_t value;
    if (!whole_from_text(node->text + (is_negative ? 1 : 0), node->length - (is_negative ? 1 : 0),
                         &value)) {
        fault_at(
            faults, node,
            "`%s: %.40s` is no register content; expected a whole number such as 65535 or 0xFFFF",
            name, node->text);
        return false;
    }
    if (!is_hex && type_needs_hex(channel->type)) {
        fault_at(faults, node,
                 "`%s: %.40s`: the number of a %s is not what its registers hold; expected hex, "
                 "such as 0x%.*s",
                 name, node->text, type, (int)digits, "FFFFFFFFFFFFFFFF");
        return false;
    }
    if (is_hex && node->length - 2 > digits) {
        fault_at(faults, node,
                 "`%s: %.40s` is longer than the %u bits of a %s; expected %u hex digits", name,
                 node->text, width, type, digits);
        return false;
    }
    if (is_hex && node->length - 2 < digits && channel->n_words > 1) {
        fault_at(faults, node,
                 "`%s: %.40s` is shorter than the %u bits of a %s; expected all %u hex digits",
                 name, node->text, width, type, digits);
        return false;
    }
    const bool is_signed =
        channel->type == TYPE_S16 || channel->type == TYPE_S32 || channel->type == TYPE_S64;
    const uint64_t most = width == 64 ? UINT64_MAX : ((uint64_t)1 << width) - 1;
    const uint64_t half = (uint64_t)1 << (width - 1);
    if (is_negative ? !is_signed || value > half : value > most) {
        fault_at(faults, node, "`%s: %.40s` doesn't fit in the %u bits of a %s", name, node->text,
                 width, type);
        return false;
    }
    *bits = is_negative ? (0 - value) & most : value;
    return true;
}

void markers_read(struct plan_faults *faults, const struct node *list, const char *name,
                  const struct channel *channel, struct marker *into, uint8_t *n)
{
    if (!list || channel->n_words == 0 || channel->n_words > 4)
        return;
    if (list->kind != NODE_LIST) {
        fault_at(faults, list, "`%s` holds %s; expected a list such as `%s: [0xFFFF]`", name,
                 node_kind_name(list), name);
        return;
    }
    for (const struct node *at = list->first; at; at = at->next) {
        uint64_t bits;
        if (*n == MAP_MARKERS_MAX) {
            fault_at(faults, at, "more than %d entries in `%s`", MAP_MARKERS_MAX, name);
            return;
        }
        if (!value_is_text(faults, at, name, "a whole number such as 65535 or 0xFFFF") ||
            !marker_bits(faults, at, name, channel, &bits))
            continue;
        struct marker *marker = &into[(*n)++];
        marker->n_words = (uint8_t)channel->n_words;
        put_registers(marker->words, channel->n_words, channel->words, channel->bytes, bits);
    }
}

/* True where one of `a` is one of `b`. */
static bool markers_share(const struct marker *a, int n_a, const struct marker *b, int n_b)
{
    for (int i = 0; i < n_a; i++)
        for (int j = 0; j < n_b; j++)
            if (memcmp(a[i].words, b[j].words, sizeof a[i].words) == 0)
                return true;
    return false;
}

void markers_differ(struct plan_faults *faults, const struct node *node,
                    const struct channel *channel)
{
    static const char TWO[] =
        "the same register content stands in `%s` and `%s`; it can mean one thing only";
    const struct channel *at = channel;
    if (markers_share(at->not_fitted, at->n_markers, at->faults, at->n_faults))
        fault_at(faults, node_find(node, "faults"), TWO, "not_fitted", "faults");
    if (markers_share(at->not_fitted, at->n_markers, at->limits, at->n_limits))
        fault_at(faults, node_find(node, "limits"), TWO, "not_fitted", "limits");
    if (markers_share(at->faults, at->n_faults, at->limits, at->n_limits))
        fault_at(faults, node_find(node, "limits"), TWO, "faults", "limits");
}

/* ---- states ---- */

static const struct choice RUN_STATES[] = {
    {"unknown", 0}, {"stopped", 1}, {"running", 2}, {"tripped", 3}, {NULL, 0}};

static void value_read(struct plan_faults *faults, const struct node *at,
                       const struct channel *channel, struct map_value *value)
{
    uint64_t raw, becomes;
    if (!whole_from_text(at->key->text, at->key->length, &raw) || raw > UINT32_MAX) {
        fault_at(faults, at->key, "`%.40s` is no raw number; expected such as `0: stopped`",
                 at->key->text);
        return;
    }
    value->raw = (uint32_t)raw;
    value->becomes = raw <= INT32_MAX ? (int32_t)raw : INT32_MAX;
    if (!value_is_text(faults, at, "values", "a meaning or a number"))
        return;
    if (channel->point == POINT_DRIVE_RUN_STATE) {
        int state;
        if (!value_choice(faults, at, at->key->text, RUN_STATES, &state))
            return;
        value->becomes = state;
        (void)snprintf(value->text, sizeof value->text, "%s", at->text);
    } else if (!at->quoted && whole_from_text(at->text, at->length, &becomes)) {
        if (becomes > INT32_MAX)
            fault_at(faults, at, "`%.40s` is too large to publish; expected at most 2147483647",
                     at->text);
        else
            value->becomes = (int32_t)becomes;
    } else {
        (void)value_label(faults, at, at->key->text, value->text, sizeof value->text);
    }
}

void values_read(struct plan_faults *faults, const struct node *node, struct channel *channel)
{
    if (!node)
        return;
    const enum quantity kind = point_get(channel->point)->kind;
    if (kind != QUANTITY_STATE && kind != QUANTITY_COUNT) {
        fault_at(faults, node->key, "`values` has no meaning for a %s; it is for states and counts",
                 quantity_name(kind));
        return;
    }
    if (node->kind != NODE_MAP || node->n > MAP_VALUES_MAX) {
        fault_at(faults, node,
                 "`values` holds %s; expected at most %d of such as `{0: stopped, 1: running}`",
                 node->kind == NODE_MAP ? "too many" : node_kind_name(node), MAP_VALUES_MAX);
        return;
    }
    for (const struct node *at = node->first; at; at = at->next) {
        struct map_value value = {0};
        value_read(faults, at, channel, &value);
        bool is_twice = false;
        for (int i = 0; i < channel->n_values; i++)
            is_twice = is_twice || channel->values[i].raw == value.raw;
        if (is_twice)
            fault_at(faults, at->key, "`%.40s` is the same raw number as an entry above",
                     at->key->text);
        else
            channel->values[channel->n_values++] = value;
    }
}
