/* SPDX-License-Identifier: Apache-2.0
 *
 * unit.c - a virtual surface unit: registers by a map, refreshed on a grid that begins first_data
 * after its power came.
 *
 *   power ──first_data──▶ refresh 0 ──refresh_ms──▶ refresh 1 …      before refresh 0 every
 * register is zero and the status says starting
 *
 * A gauge that is lost leaves the grid running: the unit answers, its own points go on, the gauge's
 * points fall silent and the refresh counter stands still. When the gauge is back it starts as
 * after power-up. Registers are made anew only when the refresh changes.
 */
#include "unit_inside.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#include "identify.h"
#include "uphole/wire.h"

#define CELLS_MAX 65536u
#define LOGGED_AT_ONCE_MAX                                                                         \
    100000 /* refreshes written for one jump of time; the rest of a longer jump is skipped */

static void extend(struct virtual_unit *unit, unsigned table, uint32_t end)
{
    if (table >= TABLE_COIL && table <= TABLE_INPUT && end <= CELLS_MAX &&
        end > unit->n_cells[table])
        unit->n_cells[table] = end;
}

/* A table reaches to its last register that the map names; what lies between is there and reads 0.
 */
static bool make_cells(struct virtual_unit *unit)
{
    const struct map *map = unit->map;
    for (unsigned i = 0; i < map->n_channels; i++)
        extend(unit, map->channel[i].table,
               map->channel[i].address + (uint32_t)map->channel[i].n_words);
    for (unsigned i = 0; i < map->n_readable; i++)
        extend(unit, map->readable[i].table, map->readable[i].last + 1u);
    if (map->has_status)
        extend(unit, map->status_table, map->status_address + 1u);
    if (map->has_counter)
        extend(unit, map->counter_table, map->counter_address + (uint32_t)map->counter_words);
    for (unsigned i = 0; i < map->n_unit_registers; i++)
        extend(unit, map->unit_registers[i].table, map->unit_registers[i].address + 1u);
    for (unsigned table = TABLE_COIL; table <= TABLE_INPUT; table++) {
        if (!unit->n_cells[table])
            continue;
        unit->cells[table] = calloc(unit->n_cells[table], sizeof(uint16_t));
        if (!unit->cells[table])
            return false;
    }
    return true;
}

struct virtual_unit *virtual_unit_create(const struct virtual_unit_options *options,
                                         struct up_error *error)
{
    struct virtual_unit *unit = calloc(1, sizeof *unit);
    if (unit)
        unit->map = malloc(sizeof *unit->map);
    if (!unit || !unit->map) {
        (void)UP_FAIL(error, UP_E_MEMORY, "no memory for a virtual unit");
        virtual_unit_destroy(unit);
        return NULL;
    }
    *unit->map = *options->map;
    unit->options = *options;
    unit->options.map = unit->map;
    unit->refresh_ms = options->refresh_ms ? options->refresh_ms : unit->map->refresh_ms;
    if (unit->refresh_ms < 1)
        unit->refresh_ms = 1;
    unit->powered_at_ms = unit->gauge_since_ms = options->powered_at_ms;
    unit->gauge_present = unit->alive = true;
    unit->counted_refresh = NO_REFRESH;
    snprintf(unit->line, sizeof unit->line, "unit");
    unit_begin_settings(unit);
    if (!make_cells(unit)) {
        (void)UP_FAIL(error, UP_E_MEMORY, "no memory for the registers of map %s", unit->map->name);
        virtual_unit_destroy(unit);
        return NULL;
    }
    if (options->truth_log) {
        unit->own_log.file = fopen(options->truth_log, "ae");
        if (!unit->own_log.file) {
            (void)UP_FAIL_ERRNO(error, UP_E_PORT, "the truth log %s can't be written: %s",
                                options->truth_log, strerror(errno));
            virtual_unit_destroy(unit);
            return NULL;
        }
        setvbuf(unit->own_log.file, NULL, _IOLBF, 8192);
        unit->log = &unit->own_log;
    }
    return unit;
}

void virtual_unit_destroy(struct virtual_unit *unit)
{
    if (!unit)
        return;
    for (unsigned table = TABLE_COIL; table <= TABLE_INPUT; table++)
        free(unit->cells[table]);
    if (unit->own_log.file)
        fclose(unit->own_log.file);
    free(unit->map);
    free(unit);
}

/* ---- time to refresh ---- */

int64_t unit_first_refresh_ms(const struct virtual_unit *unit)
{
    return unit->powered_at_ms + unit->map->first_data_ms;
}
static int64_t refresh_at(const struct virtual_unit *unit, int64_t time_ms)
{
    int64_t first = unit_first_refresh_ms(unit);
    return time_ms < first ? NO_REFRESH : (time_ms - first) / unit->refresh_ms;
}
int64_t unit_instant_ms(const struct virtual_unit *unit, int64_t refresh)
{
    return unit_first_refresh_ms(unit) + refresh * unit->refresh_ms;
}
static uint8_t phase_at(const struct virtual_unit *unit, int64_t refresh)
{
    if (refresh == NO_REFRESH)
        return GAUGE_PHASE_STARTING;
    if (!unit->gauge_present)
        return GAUGE_PHASE_LOST;
    bool warm = unit_instant_ms(unit, refresh) >= unit->gauge_since_ms + unit->map->first_data_ms;
    return warm ? GAUGE_PHASE_LIVE : GAUGE_PHASE_STARTING;
}

void virtual_unit_step(struct virtual_unit *unit, int64_t time_ms)
{
    int64_t refresh = refresh_at(unit, time_ms);
    if (unit->is_filled && refresh == unit->filled_refresh &&
        phase_at(unit, refresh) == unit->filled_phase)
        return;
    bool logs = unit->log && unit->log->file && unit->alive;
    int64_t from = logs && unit->is_filled && refresh > unit->filled_refresh
                       ? unit->filled_refresh + 1
                       : refresh;
    if (refresh - from > LOGGED_AT_ONCE_MAX)
        from = refresh - LOGGED_AT_ONCE_MAX;
    for (; from <= refresh; from++) {
        unit_fill(unit, from, phase_at(unit, from));
        if (logs)
            unit_log_refresh(unit);
    }
}

int64_t virtual_unit_next_ms(const struct virtual_unit *unit, int64_t time_ms)
{
    return unit_instant_ms(unit, refresh_at(unit, time_ms) + 1);
}

/* ---- events ---- */

void virtual_unit_set_gauge(struct virtual_unit *unit, int64_t time_ms, bool present)
{
    virtual_unit_step(unit, time_ms);
    if (present && !unit->gauge_present)
        unit->gauge_since_ms = time_ms;
    unit->gauge_present = present;
    unit->counted_refresh = refresh_at(unit, time_ms); /* what the unit missed is never counted */
    virtual_unit_step(unit, time_ms);
}

void virtual_unit_power_cycle(struct virtual_unit *unit, int64_t time_ms)
{
    unit->powered_at_ms = unit->gauge_since_ms = time_ms;
    unit->counter = 0;
    unit->counted_refresh = NO_REFRESH;
    unit->is_filled = false;
    virtual_unit_step(unit, time_ms);
}

void virtual_unit_set_alive(struct virtual_unit *unit, bool alive)
{
    unit->alive = alive;
}
uint8_t virtual_unit_id(const struct virtual_unit *unit)
{
    return unit->options.unit_id;
}
bool virtual_unit_is_alive(const struct virtual_unit *unit)
{
    return unit->alive;
}

void virtual_unit_truth(struct virtual_unit *unit, int64_t time_ms, struct well_truth *encoded)
{
    virtual_unit_step(unit, time_ms);
    *encoded = unit->truth;
}

/* ---- answering ---- */

static size_t put_exception(uint8_t answer[static PDU_MAX], uint8_t function, uint8_t code)
{
    answer[0] = (uint8_t)(function | 0x80);
    answer[1] = code;
    return 2;
}

static bool is_forbidden(const struct map *map, unsigned table, uint32_t first, uint32_t count)
{
    for (unsigned i = 0; i < map->n_never; i++)
        if (map->never[i].table == table && first <= map->never[i].last &&
            first + count > map->never[i].first)
            return true;
    return false;
}

/* A table that holds nothing but what must never be touched is there all the same. */
static bool has_table(const struct virtual_unit *unit, unsigned table)
{
    return unit->n_cells[table] || is_forbidden(unit->map, table, 0, CELLS_MAX);
}

static size_t put_bits_of(const uint16_t *cells, uint32_t count, uint8_t *into)
{
    size_t bytes = (count + 7) / 8;
    memset(into, 0, bytes);
    for (uint32_t i = 0; i < count; i++)
        if (cells[i] & 1)
            into[i / 8] = (uint8_t)(into[i / 8] | 1u << (i % 8));
    return bytes;
}

/* Order of checks (Modbus Application Protocol V1.1b3, the functions' state diagrams): function,
 * quantity, address. */
static size_t answer_read(struct virtual_unit *unit, const uint8_t *request, size_t n,
                          uint8_t answer[static PDU_MAX])
{
    unsigned table = request[0];
    bool of_bits = table == TABLE_COIL || table == TABLE_DISCRETE;
    if (!has_table(unit, table))
        return put_exception(answer, request[0], MODBUS_ILLEGAL_FUNCTION);
    if (n != 5)
        return put_exception(answer, request[0], MODBUS_ILLEGAL_VALUE);
    uint32_t first = get_u16(request + 1), count = get_u16(request + 3);
    uint32_t most = of_bits ? 2000
                    : unit->map->largest_read && unit->map->largest_read < 125
                        ? unit->map->largest_read
                        : 125;
    if (count < 1 || count > most)
        return put_exception(answer, request[0], MODBUS_ILLEGAL_VALUE);
    if (first + count > unit->n_cells[table] || is_forbidden(unit->map, table, first, count))
        return put_exception(answer, request[0], MODBUS_ILLEGAL_ADDRESS);
    answer[0] = request[0];
    if (of_bits) {
        answer[1] = (uint8_t)put_bits_of(unit->cells[table] + first, count, answer + 2);
    } else {
        answer[1] = (uint8_t)(2 * count);
        for (uint32_t i = 0; i < count; i++)
            put_u16(answer + 2 + 2 * i, unit->cells[table][first + i]);
    }
    return 2u + answer[1];
}

size_t virtual_unit_answer(struct virtual_unit *unit, int64_t time_ms, const uint8_t *request,
                           size_t n, uint8_t answer[static PDU_MAX])
{
    if (!unit->alive || n < 1 || n > PDU_MAX || request[0] == 0 || request[0] >= 0x80)
        return 0;
    virtual_unit_step(unit, time_ms);
    if (request[0] >= MODBUS_READ_COILS && request[0] <= MODBUS_READ_INPUT_REGISTERS)
        return answer_read(unit, request, n, answer);
    if (request[0] == MODBUS_ENCAPSULATED)
        return identify_answer(unit->map->name, request, n, answer);
    return put_exception(answer, request[0], MODBUS_ILLEGAL_FUNCTION);
}
