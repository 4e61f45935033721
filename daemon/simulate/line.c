/* SPDX-License-Identifier: Apache-2.0
 *
 * line.c - a virtual line: who may send when, at the speed of the wire. Pure: instants come in as
 * arguments, nothing waits.
 *
 *   first byte in ──characters──▶ request is whole ──t3.5──▶ ──reply delay──▶ answer's first bit
 * ──characters──▶ last bit
 *
 * A byte is handed out only when its last bit would have left. Instants are computed from instants,
 * never from when somebody came to look, so lateness of the caller does not add up. On TCP
 * characters take no time and each connection has its own bytes.
 */
#include "line.h"

#include <stdlib.h>
#include <string.h>

static uint64_t unit_seed(const struct virtual_unit_options *options, uint64_t seed)
{
    return options->seed ? options->seed : seed;
}

static bool make_units(struct virtual_line *line, struct up_error *error)
{
    for (unsigned i = 0; i < line->options->n_units; i++) {
        struct virtual_unit_options options = line->options->units[i];
        options.seed = unit_seed(&options, line->seed);
        line->unit[i] = virtual_unit_create(&options, error);
        if (!line->unit[i])
            return false;
    }
    return true;
}

struct virtual_line *virtual_line_create(const struct simulate_line *options,
                                         const struct fault_script *script, uint64_t seed,
                                         int64_t start_us, struct up_error *error)
{
    if (options->n_units > SIMULATE_UNITS_MAX) {
        (void)UP_FAIL(error, UP_E_RANGE, "%u units on line %s; at most %d", options->n_units,
                      options->line.name, SIMULATE_UNITS_MAX);
        return NULL;
    }
    struct virtual_line *line = calloc(1, sizeof *line);
    if (!line) {
        (void)UP_FAIL(error, UP_E_MEMORY, "no memory for line %s", options->line.name);
        return NULL;
    }
    line->options = options;
    line->script = script;
    line->seed = seed;
    line->start_us = line->now_us = line->free_us = start_us;
    line->is_plugged = true;
    line->is_serial = options->line.medium == LINE_MEDIUM_SERIAL;
    if (line->is_serial) {
        line->character_us = 1e6 * line_bits_per_character(&options->line) / options->line.baud;
        line->quiet_us = line_quiet_us(&options->line);
    }
    if (!make_units(line, error)) {
        virtual_line_destroy(line);
        return NULL;
    }
    inject_begin(line);
    return line;
}

void virtual_line_destroy(struct virtual_line *line)
{
    if (!line)
        return;
    for (unsigned i = 0; i < SIMULATE_UNITS_MAX; i++)
        virtual_unit_destroy(line->unit[i]);
    free(line);
}

struct virtual_unit *virtual_line_unit(struct virtual_line *line, unsigned index)
{
    return index < line->options->n_units ? line->unit[index] : NULL;
}
const struct virtual_line_counts *virtual_line_counts_of(const struct virtual_line *line)
{
    return &line->counts;
}

void line_log_to(struct virtual_line *line, struct truth_log *log)
{
    line->log = log;
    for (unsigned i = 0; i < line->options->n_units; i++)
        virtual_unit_log_to(line->unit[i], log, line->options->line.name);
}

int64_t line_unit_ms(int64_t at_us)
{
    return at_us >= 0 ? at_us / 1000 : (at_us - 999) / 1000;
}

/* ---- what leaves ---- */

void line_queue(struct virtual_line *line, unsigned connection, int64_t due_us,
                const uint8_t *bytes, size_t n)
{
    for (unsigned i = 0; i < OUTGOING_MAX; i++) {
        struct outgoing *out = &line->out[i];
        if (out->used)
            continue;
        *out = (struct outgoing){.used = true,
                                 .is_foreign = line->queues_foreign,
                                 .connection = connection,
                                 .due_us = due_us,
                                 .order = line->order++,
                                 .n = n < OUTGOING_BYTES ? n : OUTGOING_BYTES,
                                 .start_us = NEVER};
        memcpy(out->bytes, bytes, out->n);
        return;
    }
    line->counts.faults++; /* sixty-four answers wait already: this one is lost, as a unit's own
                              buffer would lose it */
}

/* The one under way, else the earliest due. */
static const struct outgoing *next_out(const struct virtual_line *line)
{
    const struct outgoing *best = NULL;
    for (unsigned i = 0; i < OUTGOING_MAX; i++) {
        const struct outgoing *out = &line->out[i];
        if (!out->used)
            continue;
        if (out->start_us != NEVER)
            return out;
        if (!best || out->due_us < best->due_us ||
            (out->due_us == best->due_us && out->order < best->order))
            best = out;
    }
    return best;
}

static int64_t start_of(const struct virtual_line *line, const struct outgoing *out)
{
    if (out->start_us != NEVER)
        return out->start_us;
    return out->due_us > line->free_us ? out->due_us : line->free_us;
}

/* When the n-th byte's last bit has left. */
static int64_t left_at(const struct virtual_line *line, const struct outgoing *out, size_t n)
{
    return start_of(line, out) + (int64_t)((double)n * line->character_us + 0.5);
}

bool line_has_outgoing(const struct virtual_line *line)
{
    for (unsigned i = 0; i < OUTGOING_MAX; i++)
        if (line->out[i].used)
            return true;
    return false;
}

bool line_is_idle(const struct virtual_line *line, int64_t at_us)
{
    return !line_has_outgoing(line) && line->in[0].n == 0 &&
           at_us >= line->free_us + line->quiet_us;
}

/* Asked into another master's exchange: its question, or the answer that it waits for, is spoiled.
 */
static bool spoils_foreign(struct virtual_line *line)
{
    bool spoils = false;
    for (unsigned i = 0; line->is_serial && i < OUTGOING_MAX; i++)
        if (line->out[i].used && line->out[i].is_foreign) {
            spoils = true;
            line->out[i].is_foreign = false; /* once */
        }
    return spoils;
}

static bool is_sending_at(const struct virtual_line *line, int64_t at_us)
{
    const struct outgoing *out = line->is_serial ? next_out(line) : NULL;
    return out && start_of(line, out) < at_us;
}

size_t virtual_line_send(struct virtual_line *line, int64_t now_us, unsigned *connection,
                         uint8_t *into, size_t room)
{
    inject_advance(line, now_us);
    struct outgoing *out = (struct outgoing *)next_out(line);
    if (!out || start_of(line, out) > now_us || room == 0)
        return 0;
    out->start_us = start_of(line, out);
    size_t n = out->n;
    if (line->is_serial) {
        for (n = out->sent; n < out->n && left_at(line, out, n + 1) <= now_us;)
            n++;
    }
    n = n - out->sent < room ? n - out->sent : room;
    memcpy(into, out->bytes + out->sent, n);
    out->sent += n;
    *connection = out->connection;
    if (out->sent == out->n) {
        if (line->is_serial)
            line->free_us = left_at(line, out, out->n);
        out->used = false;
    }
    return n;
}

/* ---- what arrives ---- */

void virtual_line_receive(struct virtual_line *line, int64_t now_us, unsigned connection,
                          const uint8_t *bytes, size_t n)
{
    if (connection >= SIMULATE_CONNECTIONS_MAX || n == 0)
        return;
    inject_advance(line, now_us);
    struct receiving *in = &line->in[connection];
    if (in->n == 0) {
        in->first_us = now_us;
        in->collided = false;
        if (line->is_serial && line->free_us > line->start_us &&
            now_us < line->free_us + line->quiet_us)
            line->counts.quiet_violations++;
    }
    line->counts.foreign_spoiled += spoils_foreign(line);
    if (is_sending_at(line, now_us) && !in->collided) {
        in->collided = true;
        line->counts.collisions++;
    }
    in->last_us = now_us;
    size_t room = sizeof in->bytes - in->n;
    memcpy(in->bytes + in->n, bytes, n < room ? n : room);
    in->n += n < room ? n : room;
    if (!line->is_serial)
        exchange_take(line, connection, now_us);
}

void virtual_line_forget(struct virtual_line *line, unsigned connection)
{
    if (connection >= SIMULATE_CONNECTIONS_MAX)
        return;
    line->in[connection].n = 0;
    for (unsigned i = 0; i < OUTGOING_MAX; i++)
        if (line->out[i].used && line->out[i].connection == connection)
            line->out[i].used = false;
}

bool virtual_line_is_plugged(struct virtual_line *line, int64_t now_us)
{
    inject_advance(line, now_us);
    return line->is_plugged;
}

static int64_t earlier(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

/* All that wakes a line but its own bytes. */
static int64_t next_but_bytes(const struct virtual_line *line)
{
    int64_t next = inject_next_us(line);
    if (line->is_serial)
        next = earlier(next, exchange_ready_us(line, 0));
    for (unsigned i = 0; line->log && i < line->options->n_units; i++)
        next =
            earlier(next, 1000 * virtual_unit_next_ms(line->unit[i], line_unit_ms(line->now_us)));
    return next;
}

int64_t line_wake_us(const struct virtual_line *line, int64_t now_us, int64_t grain_us)
{
    int64_t next = next_but_bytes(line);
    const struct outgoing *out = next_out(line);
    if (!out)
        return next;
    if (!line->is_serial)
        return earlier(next, start_of(line, out));
    int64_t byte_us = left_at(line, out, out->sent + 1), grain_end_us = now_us + grain_us;
    return earlier(
        next, earlier(left_at(line, out, out->n), byte_us > grain_end_us ? byte_us : grain_end_us));
}

int64_t virtual_line_next_us(const struct virtual_line *line)
{
    return line_wake_us(line, line->now_us, 0);
}
