/* SPDX-License-Identifier: Apache-2.0
 *
 * settings.c - see settings.h. The likelihoods are common practice, no source: 9600 8N1 is what
 * most units in the field are left at, 19200 with even parity is the standard's default (Modbus
 * over Serial Line V1.02, 2.5.1 and 3.2), unit id 1 is what they leave the factory with.
 */
#include "settings.h"

#include <stdlib.h>
#include <string.h>

struct setting {
    uint32_t baud;
    char parity;
    uint8_t stop_bits;
    uint16_t per_mille;
};
/* 8N2 stands far behind, since a unit set to it understands 8N1 as a rule, and is understood. */
static const struct setting SERIAL[] = {
    {9600, 'N', 1, 320},  {19200, 'E', 1, 130}, {19200, 'N', 1, 120}, {9600, 'E', 1, 110},
    {38400, 'N', 1, 60},  {115200, 'N', 1, 50}, {57600, 'N', 1, 30},  {9600, 'O', 1, 25},
    {4800, 'N', 1, 25},   {38400, 'E', 1, 20},  {19200, 'O', 1, 18},  {2400, 'N', 1, 15},
    {115200, 'E', 1, 14}, {57600, 'E', 1, 12},  {4800, 'E', 1, 10},   {1200, 'N', 1, 8},
    {38400, 'O', 1, 6},   {2400, 'E', 1, 5},    {115200, 'O', 1, 4},  {57600, 'O', 1, 4},
    {4800, 'O', 1, 4},    {1200, 'E', 1, 3},    {2400, 'O', 1, 2},    {1200, 'O', 1, 2},
    {9600, 'N', 2, 2},    {19200, 'N', 2, 2},
};
static const struct {
    uint8_t framing;
    uint16_t per_mille;
} NETWORK[] = {{LINE_FRAMING_TCP, 800}, {LINE_FRAMING_RTU, 200}};

struct group {
    uint8_t low, high;
    uint16_t per_mille;
};
static const struct group SERIAL_IDS[] = {
    {1, 1, 450},  {2, 5, 200},    {6, 10, 120},  {11, 32, 110},
    {33, 64, 50}, {247, 247, 10}, {65, 128, 35}, {129, 246, 25},
};
/* 255 and 0 speak to the device itself (Modbus Messaging on TCP/IP V1.0b, 4.4.1.2). */
static const struct group NETWORK_IDS[] = {
    {1, 1, 500},  {255, 255, 150}, {0, 0, 60},    {2, 5, 120},    {6, 10, 70},
    {11, 32, 50}, {33, 64, 20},    {65, 128, 15}, {129, 254, 15},
};
/* Reading input registers disturbs least; a unit that is silent to it may know holding registers.
 */
static const struct {
    uint8_t function;
    double share;
} FIRST_QUESTIONS[] = {{MODBUS_READ_INPUT_REGISTERS, 1.0}, {MODBUS_READ_HOLDING_REGISTERS, 0.02}};

#define SECOND_TRY_MOST                                                                            \
    10 /* unit ids, and settings, for which the second question is worth its time */
#define SECOND_TRY_SETTINGS 8

#define COUNT_OF(array) (sizeof(array) / sizeof(array)[0])

bool settings_differ(const struct line_plan *a, const struct line_plan *b)
{
    return a->baud != b->baud || a->parity != b->parity || a->stop_bits != b->stop_bits ||
           a->framing != b->framing;
}

/** The `index`th row as a line of the options' device; its likelihood, or 0 where it isn't allowed.
 */
static unsigned row_at(const struct find_options *options, unsigned index, struct line_plan *line)
{
    *line = options->line;
    if (line->medium == LINE_MEDIUM_TCP) {
        if (options->has_framing && NETWORK[index].framing != line->framing)
            return 0;
        line->framing = NETWORK[index].framing;
        return NETWORK[index].per_mille;
    }
    const struct setting *row = &SERIAL[index];
    const bool speed_fits = !options->has_speed || row->baud == line->baud;
    const bool frame_fits =
        !options->has_frame || (row->parity == line->parity && row->stop_bits == line->stop_bits);
    line->baud = row->baud;
    line->parity = row->parity;
    line->stop_bits = row->stop_bits;
    return speed_fits && frame_fits ? row->per_mille : 0;
}

static unsigned rows(const struct find_options *options)
{
    return options->line.medium == LINE_MEDIUM_TCP ? COUNT_OF(NETWORK) : COUNT_OF(SERIAL);
}

/** A stated speed or frame that stands in no row is taken as stated, with 9600 baud or 8N1 beside.
 */
static bool is_in_no_row(const struct find_options *options)
{
    struct line_plan line;
    for (unsigned i = 0; i < rows(options); i++)
        if (row_at(options, i, &line) > 0)
            return false;
    return true;
}

bool setting_at(const struct find_options *options, unsigned index, struct line_plan *line)
{
    unsigned seen = 0;
    for (unsigned i = 0; i < rows(options); i++)
        if (row_at(options, i, line) > 0 && seen++ == index)
            return true;
    *line = options->line;
    return index == 0 && is_in_no_row(options);
}

static unsigned weight_of(const struct find_options *options, unsigned index)
{
    struct line_plan line;
    unsigned seen = 0;
    for (unsigned i = 0; i < rows(options); i++) {
        const unsigned per_mille = row_at(options, i, &line);
        if (per_mille > 0 && seen++ == index)
            return per_mille;
    }
    return 1;
}

int64_t batch_silent_us(const struct find_options *options, const struct batch *batch)
{
    const int64_t ask_us = exchange_wire_us(&batch->line, 0, (int64_t)options->wait_ms * 1000);
    return (batch->high - batch->low + 1) * ask_us + INT64_C(1000) * SETTLE_MS;
}

static void add(const struct find_options *options, const struct line_plan *line, unsigned setting,
                const struct group *group, unsigned question, struct batches *out)
{
    const bool is_any = options->unit_low == 0 && options->unit_high == 0;
    const uint8_t low = is_any || group->low > options->unit_low ? group->low : options->unit_low;
    const uint8_t high =
        is_any || group->high < options->unit_high ? group->high : options->unit_high;
    if (low > high || out->n == BATCHES_MAX)
        return;
    struct batch *batch = &out->batch[out->n];
    *batch = (struct batch){.line = *line,
                            .function = FIRST_QUESTIONS[question].function,
                            .low = low,
                            .high = high,
                            .order = out->n++};
    batch->density = setting * FIRST_QUESTIONS[question].share * group->per_mille *
                     (high - low + 1) / (group->high - group->low + 1) /
                     (double)batch_silent_us(options, batch);
}

static int compare(const void *a, const void *b)
{
    const struct batch *one = a, *other = b;
    if (one->density != other->density)
        return one->density > other->density ? -1 : 1;
    return one->order < other->order ? -1 : one->order > other->order;
}

void batches_make(const struct find_options *options, struct batches *out)
{
    struct line_plan line;
    memset(out, 0, sizeof *out);
    for (unsigned i = 0; setting_at(options, i, &line); i++) {
        const unsigned weight = weight_of(options, i);
        const bool is_network = line.medium == LINE_MEDIUM_TCP && line.framing == LINE_FRAMING_TCP;
        const struct group *groups = is_network ? NETWORK_IDS : SERIAL_IDS;
        const unsigned n = is_network ? COUNT_OF(NETWORK_IDS) : COUNT_OF(SERIAL_IDS);
        for (unsigned g = 0; g < n; g++)
            for (unsigned q = 0; q < COUNT_OF(FIRST_QUESTIONS); q++)
                if (q == 0 || (groups[g].low <= SECOND_TRY_MOST && i < SECOND_TRY_SETTINGS))
                    add(options, &line, weight, &groups[g], q, out);
    }
    qsort(out->batch, out->n, sizeof out->batch[0], compare);
}
