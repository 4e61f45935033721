/* SPDX-License-Identifier: Apache-2.0
 *
 * truth.c - the truth log: one JSON line a refresh, with the value that each channel's registers
 * say and the registers themselves.
 */
#include "unit_inside.h"

#include <math.h>

void virtual_unit_log_to(struct virtual_unit *unit, struct truth_log *log, const char *line)
{
    unit->log = log;
    snprintf(unit->line, sizeof unit->line, "%s", line ? line : "unit");
}

static void log_words(FILE *file, const struct virtual_unit *unit, const struct channel *channel)
{
    bool registers = channel->table >= TABLE_HOLDING;
    fputs("\"words\":[", file);
    for (unsigned i = 0; i < channel->n_words && registers; i++)
        fprintf(file, "%s\"%04x\"", i ? "," : "",
                unit->cells[channel->table][channel->address + i]);
    fputs("]}", file);
}

void unit_log_refresh(const struct virtual_unit *unit)
{
    static const char *const PHASES[] = {"stopped", "start_up", "steady", "draw_down", "shut_in"};
    static const char *const GAUGE[] = {"", "starting", "live", "lost"};
    FILE *file = unit->log->file;
    int64_t at = unit->filled_refresh == NO_REFRESH ? unit->powered_at_ms
                                                    : unit_instant_ms(unit, unit->filled_refresh);
    fprintf(file,
            "{\"time_ms\":%lld,\"boot_ms\":%lld,\"line\":\"%s\",\"unit_id\":%u,\"map\":\"%s\","
            "\"refresh\":%lld,",
            (long long)(at + unit->log->to_utc_ms), (long long)(at + unit->log->to_boot_ms),
            unit->line, unit->options.unit_id, unit->map->name, (long long)unit->filled_refresh);
    fprintf(file, "\"gauge\":\"%s\",\"well\":\"%s\",\"points\":{", GAUGE[unit->filled_phase],
            unit->filled_refresh == NO_REFRESH ? "unknown" : PHASES[unit->truth.phase]);
    for (unsigned i = 0; i < unit->map->n_channels; i++) {
        const struct channel *channel = &unit->map->channel[i];
        const struct point *point = point_get(channel->point);
        double value = unit->truth.value[channel->point];
        char number[40] = "null";
        if (isfinite(value))
            snprintf(number, sizeof number, "%.15g", value);
        fprintf(file, "%s\"%s\":{\"value\":%s,\"unit\":\"%s\",", i ? "," : "",
                point ? point->id : "?", number, point ? point->unit : "");
        log_words(file, unit, channel);
    }
    fputs("}}\n", file);
}
