/* SPDX-License-Identifier: Apache-2.0
 *
 * freeze.c - the canonical text of a plan and its digest. The text is itself a configuration: read
 * again, it gives the same text.
 *
 * Every default stands in it, maps stand below `maps:` with addresses from 0, secrets are only
 * named. Numbers are the shortest that read back as the same double.
 */
#include "rooms.h"

#include <sha2.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void put_duration(struct text_out *out, int indent, const char *key, uint64_t ms)
{
    char text[DECIMAL_TEXT_MAX];
    duration_text(ms, text);
    text_put(out, "%*s%s: %s\n", indent, "", key, text);
}

static void put_number(struct text_out *out, double value)
{
    char text[DECIMAL_TEXT_MAX];
    decimal_to_text(decimal_from_double(value), text);
    text_put(out, "%s", text);
}

/* ---- maps ---- */

static void put_address(struct text_out *out, int indent, uint8_t table, uint16_t address)
{
    text_put(out, "%*s%s: %u\n", indent, "", choice_name(CHOICES_TABLE, table), address);
}

static void put_ranges(struct text_out *out, int indent, const char *key,
                       const struct register_range *ranges, int n)
{
    if (n == 0)
        return;
    text_put(out, "%*s%s: [", indent, "", key);
    for (int i = 0; i < n; i++)
        text_put(out, "%s{%s: %u to %u}", i ? ", " : "",
                 choice_name(CHOICES_TABLE, ranges[i].table), ranges[i].first, ranges[i].last);
    text_put(out, "]\n");
}

static void put_markers(struct text_out *out, int indent, const char *key,
                        const struct channel *channel, const struct marker *markers, int n)
{
    if (n == 0)
        return;
    text_put(out, "%*s%s: [", indent, "", key);
    for (int i = 0; i < n; i++)
        text_put(out, "%s0x%0*llX", i ? ", " : "", 4 * markers[i].n_words,
                 (unsigned long long)get_registers(markers[i].words, markers[i].n_words,
                                                   channel->words, channel->bytes));
    text_put(out, "]\n");
}

static void put_range(struct text_out *out, int indent, const char *key, double low, double high,
                      const char *unit)
{
    text_put(out, "%*s%s: ", indent, "", key);
    put_number(out, low);
    text_put(out, " to ");
    put_number(out, high);
    text_put(out, "%s%s\n", unit[0] ? " " : "", unit);
}

static void put_scale(struct text_out *out, int indent, const struct channel *channel)
{
    char scale[DECIMAL_TEXT_MAX], offset[DECIMAL_TEXT_MAX];
    if (channel->type == TYPE_TEXT)
        return;
    decimal_to_text(channel->scale, scale);
    decimal_to_text(channel->offset, offset);
    text_put(out, "%*sscale: %s\n%*soffset: %s\n", indent, "", scale, indent, "", offset);
}

static void put_values(struct text_out *out, int indent, const struct channel *channel)
{
    if (channel->n_values == 0)
        return;
    text_put(out, "%*svalues:\n", indent, "");
    for (int i = 0; i < channel->n_values; i++) {
        const struct map_value *value = &channel->values[i];
        text_put(out, "%*s%u: ", indent + 2, "", value->raw);
        if (value->text[0] == 0)
            text_put(out, "%d", value->becomes);
        else if (channel->point == POINT_DRIVE_RUN_STATE)
            text_put(out, "%s", value->text);
        else
            text_put_quoted(out, value->text);
        text_put(out, "\n");
    }
}

static void channel_write(struct text_out *out, const struct channel *channel, int indent)
{
    const struct point *point = point_get(channel->point);
    struct channel shown = *channel;
    const unit_number own = channel->unit ? point_unit(channel->point) : 0;
    const char *unit = own ? unit_get(own)->name : "";
    if (channel->n_words == 1 || channel->type == TYPE_TEXT)
        shown.words = WORDS_UNSET; /* means nothing there, and may not be stated */
    text_put(out, "%*s%s:\n", indent, "", point->id);
    indent += 2;
    put_address(out, indent, channel->table, channel->address);
    keys_write(out, SECTION_CHANNEL, 0, indent, &shown);
    put_scale(out, indent, channel);
    if (channel->unit)
        text_put(out, "%*sunit: \"%s\"\n", indent, "", unit_get(channel->unit)->name);
    if (channel->has_instrument_range)
        put_range(out, indent, "instrument_range", channel->instrument_low,
                  channel->instrument_high, unit);
    if (channel->has_expected_range)
        put_range(out, indent, "expected_range", channel->expected_low, channel->expected_high,
                  unit);
    if (channel->has_max_rate) {
        text_put(out, "%*smax_rate: ", indent, "");
        put_number(out, channel->max_rate_per_s);
        text_put(out, " %s/s\n", unit_get(unit_of_difference(own))->name);
    }
    if (channel->has_accuracy) {
        text_put(out, "%*saccuracy: ", indent, "");
        put_number(out, channel->accuracy);
        text_put(out, " %s\n", unit_get(unit_of_difference(own))->name);
    }
    if (channel->has_resolution) {
        text_put(out, "%*sresolution: ", indent, "");
        put_number(out, channel->resolution);
        text_put(out, " %s\n", unit_get(unit_of_difference(own))->name);
    }
    put_markers(out, indent, "not_fitted", channel, channel->not_fitted, channel->n_markers);
    if (channel->not_fitted_if)
        text_put(out, "%*snot_fitted_if: %s\n", indent, "", point_get(channel->not_fitted_if)->id);
    put_markers(out, indent, "faults", channel, channel->faults, channel->n_faults);
    put_markers(out, indent, "limits", channel, channel->limits, channel->n_limits);
    if (channel->has_bits)
        text_put(out, "%*sbits: %u to %u\n", indent, "", channel->bit_low, channel->bit_high);
    put_values(out, indent, channel);
    if (channel->type == TYPE_TEXT)
        text_put(out, "%*slength: %u registers\n", indent, "", channel->n_words);
}

static void status_write(struct text_out *out, const struct map *map, int indent)
{
    if (!map->has_status)
        return;
    text_put(out, "%*sgauge_status:\n", indent, "");
    put_address(out, indent + 2, map->status_table, map->status_address);
    const char *separator = "";
    text_put(out, "%*s%s: {", indent + 2, "", map->n_status_values ? "values" : "bits");
    for (int i = 0; i < 16; i++) {
        const int role = map->n_status_values == 0  ? map->status_bit[i]
                         : i < map->n_status_values ? map->status_value[i].role
                                                    : 0;
        if (role == STATUS_NONE)
            continue;
        text_put(out, "%s%d: %s", separator, map->n_status_values ? map->status_value[i].raw : i,
                 choice_name(CHOICES_ROLE, role));
        separator = ", ";
    }
    text_put(out, "}\n");
}

void map_write(struct text_out *out, const struct map *map, int indent)
{
    keys_write(out, SECTION_MAP, 0, indent, map);
    text_put(out, "%*snumbering: from-0\n", indent, "");
    put_ranges(out, indent, "readable", map->readable, map->n_readable);
    put_ranges(out, indent, "never", map->never, map->n_never);
    status_write(out, map, indent);
    if (map->has_counter) {
        text_put(out, "%*srefresh_counter:\n", indent, "");
        put_address(out, indent + 2, map->counter_table, map->counter_address);
        text_put(out, "%*stype: %s\n", indent + 2, "", map->counter_words == 2 ? "u32" : "u16");
        if (map->counter_words == 2)
            text_put(out, "%*swords: %s\n", indent + 2, "",
                     choice_name(CHOICES_WORDS, map->counter_order));
    }
    unit_register_write(out, map, indent);
    text_put(out, "%*schannels:\n", indent, "");
    for (int i = 0; i < map->n_channels; i++)
        channel_write(out, &map->channel[i], indent + 2);
}

/* ---- lines, wells, destinations ---- */

static void put_host(struct text_out *out, const char *host, unsigned port)
{
    text_put(out, strchr(host, ':') ? "[%s]:%u" : "%s:%u", host, port);
}

static void line_write(struct text_out *out, const struct line_plan *line)
{
    text_put(out, "  %s:\n", line->name);
    if (line->medium == LINE_MEDIUM_TCP) {
        text_put(out, "    tcp: \"");
        put_host(out, line->host, line->port);
        text_put(out, "\"\n");
    }
    const bool is_serial = line->medium == LINE_MEDIUM_SERIAL;
    keys_write(out, SECTION_LINE,
               !is_serial && line_speaks_rtu(line) ? LINE_KEYS_RTU_OVER_TCP : line->medium, 4,
               line);
    if (is_serial)
        text_put(out, "    frame: %u%c%u\n", line->data_bits, line->parity, line->stop_bits);
    if (line_speaks_rtu(line)) {
        put_duration(out, 4, "listen_first", line->listen_first_ms);
    }
}

static void confirmed_write(struct text_out *out, const struct source_entry *entry,
                            const struct map *map)
{
    bool all = true;
    for (int point = 1; point < POINT_COUNT; point++)
        all = all && entry->confirmed_units[point];
    text_put(out, "          confirmed_units: ");
    if (all) {
        text_put(out, "all\n");
        return;
    }
    text_put(out, "[");
    const char *separator = "";
    for (int i = 0; i < map->n_channels; i++)
        if (entry->confirmed_units[map->channel[i].point]) {
            text_put(out, "%s%s", separator, point_get(map->channel[i].point)->id);
            separator = ", ";
        }
    text_put(out, "]\n");
}

static void entry_write(struct text_out *out, const struct plan *plan,
                        const struct source_entry *entry)
{
    const struct map *map = &plan->maps[entry->map];
    const char *separator = "";
    text_put(out, "        - line: ");
    text_put_scalar(out, plan->lines[entry->line].name);
    text_put(out, "\n          map: ");
    text_put_scalar(out, map->name);
    text_put(out, "\n");
    keys_write(out, SECTION_ENTRY, 0, 10, entry);
    put_duration(out, 10, "refresh", entry->refresh_ms);
    put_duration(out, 10, "stale_limit", entry->stale_limit_ms);
    text_put(out, "          fitted: {");
    for (int point = 1; point < POINT_COUNT; point++)
        if (entry->fitted[point] != FITTED_UNSTATED) {
            text_put(out, "%s%s: %s", separator, point_get((unsigned)point)->id,
                     entry->fitted[point] == FITTED_YES ? "yes" : "no");
            separator = ", ";
        }
    text_put(out, "}\n");
    confirmed_write(out, entry, map);
}

static void well_write(struct text_out *out, const struct plan *plan, const struct well_plan *well)
{
    text_put(out, "  %s:\n", well->id);
    keys_write(out, SECTION_WELL, 0, 4, well);
    text_put(out, "    sources:\n");
    for (int source = SOURCE_GAUGE; source < SOURCE_KINDS; source++) {
        if (well->n_entries[source] == 0)
            continue;
        text_put(out, "      %s:\n", source_name((uint8_t)source));
        for (int i = 0; i < well->n_entries[source]; i++)
            entry_write(out, plan, &well->entries[source][i]);
    }
    if (well->n_data == 0)
        return;
    text_put(out, "    well_data:\n");
    for (int i = 0; i < well->n_data; i++) {
        /* A `-` alone takes the lines below it as its section. */
        text_put(out, "      -\n");
        data_write(out, &well->data[i]);
    }
}

static void units_write(struct text_out *out, const struct unit_choice *units)
{
    if (units->set != UNITS_OWN) {
        text_put(out, "    units: %s\n", choice_name(CHOICES_UNIT_SET, units->set));
        return;
    }
    const char *separator = "";
    text_put(out, "    units: {");
    for (int kind = 1; kind < QUANTITY_COUNT_OF_KINDS; kind++)
        if (units->by_kind[kind]) {
            text_put(out, "%s\"%s\": \"%s\"", separator, quantity_name((enum quantity)kind),
                     unit_get(units->by_kind[kind])->name);
            separator = ", ";
        }
    text_put(out, "}\n");
}

static void views_write(struct text_out *out, const struct destination_plan *destination)
{
    text_put(out, "    views:\n");
    for (int i = 0; i < destination->n_views; i++) {
        const struct view *view = &destination->views[i];
        text_put(out, "      %u:\n        units: %s\n", view->unit_id,
                 choice_name(CHOICES_UNIT_SET, view->units.set));
        keys_write(out, SECTION_VIEW, 0, 8, view);
        text_put(out, "        missing_as: ");
        if (view->missing_as == 2)
            put_number(out, view->missing_number);
        else
            text_put(out, "%s", choice_name(CHOICES_MISSING, view->missing_as));
        text_put(out, "\n");
    }
}

static void allow_write(struct text_out *out, const struct destination_plan *destination)
{
    text_put(out, "    allow: [");
    for (int i = 0; i < destination->n_allow; i++) {
        const struct allow_rule *rule = &destination->allow[i];
        text_put(out, i ? ", \"" : "\"");
        for (int b = 0; b < (rule->family == 4 ? 4 : 16); b++)
            text_put(out, rule->family == 4 ? "%s%u" : "%s%02x",
                     b == 0              ? ""
                     : rule->family == 4 ? "."
                     : b % 2             ? ""
                                         : ":",
                     rule->address[b]);
        text_put(out, "/%u\"", rule->prefix);
    }
    text_put(out, "]\n");
}

static void destination_write(struct text_out *out, const struct destination_plan *destination)
{
    const bool is_mqtt = destination->medium == DESTINATION_MQTT;
    text_put(out, "  %s:\n    %s: \"%s", destination->name, is_mqtt ? "mqtt" : "modbus_tcp",
             !is_mqtt           ? ""
             : destination->tls ? "mqtts://"
                                : "mqtt://");
    put_host(out, destination->host, destination->port);
    text_put(out, "\"\n");
    keys_write(out, SECTION_DESTINATION, destination->medium, 4, destination);
    if (is_mqtt) {
        char size[DECIMAL_TEXT_MAX];
        const char *secrets[2][2] = {{"password_file", destination->password_file},
                                     {"key_file", destination->key_file}};
        for (int i = 0; i < 2; i++)
            if (secrets[i][1][0] != '\0')
                text_put(out, "    %s: \"%s\"\n", secrets[i][0], secrets[i][1]);
        if (destination->backlog_at_most > 0)
            text_put(out, "    backlog_at_most: %u records/s\n", destination->backlog_at_most);
        size_text(destination->at_most_a_month, size);
        if (destination->at_most_a_month > 0)
            text_put(out, "    at_most: %s a month\n", size);
    }
    units_write(out, &destination->units);
    if (!is_mqtt) {
        views_write(out, destination);
        if (destination->n_allow > 0)
            allow_write(out, destination);
    }
}

static void plan_write(struct text_out *out, const struct plan *plan)
{
    keys_write(out, SECTION_TOP, 0, 0, plan);
    text_put(out, "lines:\n");
    for (int i = 0; i < plan->n_lines; i++)
        line_write(out, &plan->lines[i]);
    text_put(out, "wells:\n");
    for (int i = 0; i < plan->n_wells; i++)
        well_write(out, plan, &plan->wells[i]);
    if (plan->n_destinations > 0)
        text_put(out, "destinations:\n");
    for (int i = 0; i < plan->n_destinations; i++)
        destination_write(out, &plan->destinations[i]);
    text_put(out, "journal:\n");
    keys_write(out, SECTION_JOURNAL, 0, 2, &plan->journal);
    if (plan->journal.n_retain > 0)
        text_put(out, "  retain:\n");
    for (int i = 0; i < plan->journal.n_retain; i++) {
        text_put(out, "    -\n");
        keys_write(out, SECTION_RETAIN, 0, 6, &plan->journal.retain[i]);
    }
    text_put(out, "maps:\n");
    for (int i = 0; i < plan->n_maps; i++) {
        text_put(out, "  %s:\n", plan->maps[i].name);
        map_write(out, &plan->maps[i], 4);
    }
}

static void digest_of(const char *text, size_t length, uint8_t digest[static SHA256_DIGEST_LENGTH],
                      char into[static 65])
{
    SHA2_CTX context;
    SHA256Init(&context);
    SHA256Update(&context, (const uint8_t *)text, length);
    SHA256Final(digest, &context);
    for (size_t i = 0; i < SHA256_DIGEST_LENGTH; i++)
        (void)snprintf(into + 2 * i, 3, "%02x", digest[i]);
}

enum up_rc plan_map_digest(const struct plan *plan, uint16_t map, char into[static 65],
                           struct up_error *error)
{
    uint8_t digest[SHA256_DIGEST_LENGTH];
    struct text_out out = {.text = malloc(PLAN_TEXT_MAX), .room = PLAN_TEXT_MAX};
    if (out.text == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for a map's digest");
    map_write(&out, &plan->maps[map], 4);
    digest_of(out.text, out.length, digest, into);
    free(out.text);
    return UP_OK;
}

enum up_rc plan_freeze(struct plan *plan, struct up_error *error)
{
    uint8_t digest[SHA256_DIGEST_LENGTH];
    struct text_out out = {.text = malloc(PLAN_TEXT_MAX), .room = PLAN_TEXT_MAX};
    if (!out.text)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for the plan");
    plan_write(&out, plan);
    if (out.is_full) {
        free(out.text);
        return UP_FAIL(error, UP_E_FULL,
                       "the configuration with its maps written out is larger than 1 MiB");
    }
    char *kept = realloc(out.text, out.length + 1);
    plan->text = kept ? kept : out.text;
    plan->text_length = out.length;
    digest_of(plan->text, plan->text_length, digest, plan->digest);
    plan->digest_32 = get_u32(digest);
    return UP_OK;
}
