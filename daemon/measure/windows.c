/* SPDX-License-Identifier: Apache-2.0
 *
 * windows.c - the bins of windows.h: what is held goes into them, whole hours and days become
 * facts.
 *
 * Weighted mean and squares as West 1979 adds a sample, bins are put together as Chan, Golub and
 * LeVeque 1979 do (both from memory; tests/formulas/windows.py sums the same by another way), so
 * equal samples give an exact mean.
 */
#include "fold_state.h"

#include <string.h>

/* An hour's facts: four values, each in the slot of its hour, so that the newest fact of each kind
 * are the last 24 hours. A day's: two. */
enum hour_value { HOUR_WEIGHT = 0, HOUR_MEAN, HOUR_LOW, HOUR_HIGH, HOUR_VALUES };
#define HOUR_SLOTS (SPAN_DAY_BINS - 1)
#define DAY_LEAST_MS (6 * WINDOW_HOUR_MS) /* of a day of the insulation, else it stays empty */
_Static_assert(FACT_HOUR + HOUR_VALUES * HOUR_SLOTS <= UINT8_MAX, "a kind is a byte");
_Static_assert(FACT_DAY + 2 * WINDOW_DAYS <= FACT_HOUR, "kinds of days and hours differ");

#define NONE UINT8_MAX
static const struct quantity_row {
    uint16_t carrier;     /* point of its facts */
    uint8_t minute, hour; /* place among those that have the span */
    bool has_range;       /* low and high of a day are asked for */
} ROWS[WINDOW_QUANTITIES] = {
    [WINDOW_PRESSURE] = {POINT_INTAKE_PRESSURE_MEAN_24H, 0, 0, true},
    [WINDOW_TEMPERATURE] = {POINT_MOTOR_TEMPERATURE_MEAN_24H, NONE, 1, true},
    [WINDOW_CURRENT] = {POINT_MOTOR_CURRENT_MEAN_24H, 1, 2, false},
    [WINDOW_FREQUENCY] = {POINT_DRIVE_FREQUENCY_MEAN_24H, NONE, NONE, false},
    [WINDOW_RUNNING] = {POINT_RUNNING_SHARE_24H, NONE, NONE, false},
    [WINDOW_INSULATION] = {POINT_INSULATION_DAILY_CHANGE, NONE, NONE, false},
};
static const int64_t LENGTH_MS[SPANS] = {10000, WINDOW_MINUTE_MS, WINDOW_HOUR_MS};
static const unsigned BINS[SPANS] = {SPAN_MINUTE_BINS, SPAN_HOUR_BINS, SPAN_DAY_BINS};

static struct window_bin *ring_of(struct windows *windows, unsigned quantity, unsigned span)
{
    const struct quantity_row *row = &ROWS[quantity];
    if (span == SPAN_DAY)
        return windows->day[quantity];
    if (span == SPAN_HOUR)
        return row->hour == NONE ? 0 : windows->hour[row->hour];
    return row->minute == NONE ? 0 : windows->minute[row->minute];
}

const struct window_bin *windows_bins(const struct windows *windows, enum window_quantity quantity,
                                      enum window_span span, unsigned *n, int64_t *length_ms)
{
    *n = BINS[span];
    *length_ms = LENGTH_MS[span];
    const struct quantity_row *row = &ROWS[quantity];
    if (span == SPAN_DAY)
        return windows->day[quantity];
    if (span == SPAN_HOUR)
        return row->hour == NONE ? 0 : windows->hour[row->hour];
    return row->minute == NONE ? 0 : windows->minute[row->minute];
}

int64_t windows_reach_ms(int64_t lapse_ms)
{
    return WINDOW_HOUR_MS + WINDOW_MINUTE_MS + lapse_ms;
}

void windows_clear(struct windows *windows)
{
    memset(windows, 0, sizeof *windows);
    windows->pump_known = windows->pump_changed = NEVER;
    for (unsigned q = 0; q < WINDOW_QUANTITIES; q++) {
        windows->hold[q].at = windows->began[q] = NEVER;
        windows->slope[q].key = NEVER;
    }
}

static void forget(struct windows *windows, unsigned quantity, int64_t at)
{
    /* Facts of this very change, or of a later one, were loaded: what they sealed is of after it.
     */
    const bool is_known = windows->began[quantity] != NEVER && windows->began[quantity] >= at;
    for (unsigned span = 0; span < SPANS; span++) {
        struct window_bin *ring = ring_of(windows, quantity, span);
        for (unsigned i = 0; ring != 0 && i < BINS[span]; i++)
            if (!is_known || !ring[i].is_sealed ||
                ring[i].index < windows->began[quantity] / LENGTH_MS[span])
                ring[i] = (struct window_bin){0};
    }
    if (quantity == WINDOW_INSULATION)
        for (unsigned i = 0; i < WINDOW_DAYS; i++)
            if (!is_known || windows->days[i].index < windows->began[quantity] / WINDOW_DAY_MS)
                windows->days[i] = (struct window_day){0};
    windows->hold[quantity] = (struct window_hold){.at = NEVER};
    windows->slope[quantity].key = NEVER;
    windows->is_new[quantity] = true;
}

void windows_forget_source(struct windows *windows, uint8_t source, int64_t at)
{
    for (unsigned q = 0; q < WINDOW_QUANTITIES; q++)
        if (windows->hold[q].at != NEVER && windows->hold[q].source == source)
            forget(windows, q, at);
}

/* ---- facts ---- */

static int quantity_of(unsigned carrier)
{
    for (int q = 0; q < WINDOW_QUANTITIES; q++)
        if (ROWS[q].carrier == carrier)
            return q;
    return -1;
}

static void load_hour(struct windows *windows, unsigned quantity, const struct fact *fact)
{
    const int64_t index = fact->boot_ms / WINDOW_HOUR_MS;
    struct window_bin *bin = &windows->day[quantity][(uint64_t)index % SPAN_DAY_BINS];
    if (bin->is_sealed && bin->index > index)
        return;
    if (!bin->is_sealed || bin->index != index)
        *bin = (struct window_bin){.index = index, .is_sealed = true};
    switch ((enum hour_value)((fact->kind - FACT_HOUR) / HOUR_SLOTS)) {
    case HOUR_WEIGHT:
        bin->weight_ms = fabs(fact->value);
        bin->is_unsure = fact->value < 0.0;
        break;
    case HOUR_MEAN:
        bin->mean = fact->value;
        break;
    case HOUR_LOW:
        bin->low = fact->value;
        break;
    case HOUR_HIGH:
        bin->high = fact->value;
        break;
    case HOUR_VALUES:
        break;
    }
}

static void load_day(struct windows *windows, const struct fact *fact)
{
    const int64_t index = fact->boot_ms / WINDOW_DAY_MS;
    struct window_day *day = &windows->days[(uint64_t)index % WINDOW_DAYS];
    if (day->index > index)
        return;
    if (day->index != index)
        *day = (struct window_day){.index = index};
    if (fact->kind < FACT_DAY + WINDOW_DAYS)
        day->weight_ms = fact->value;
    else
        day->mean = fact->value;
}

void windows_load_fact(struct windows *windows, const struct fact *fact)
{
    const int quantity = quantity_of(fact->point);
    if (quantity < 0 || fact->boot_ms < 0 || !isfinite(fact->value))
        return;
    if (fact->kind == FACT_WINDOWS_BEGUN && fact->boot_ms > windows->began[quantity])
        windows->began[quantity] = fact->boot_ms;
    else if (fact->kind >= FACT_HOUR && fact->kind < FACT_HOUR + HOUR_VALUES * HOUR_SLOTS)
        load_hour(windows, (unsigned)quantity, fact);
    else if (fact->kind >= FACT_DAY && fact->kind < FACT_DAY + 2 * WINDOW_DAYS)
        load_day(windows, fact);
}

static bool push(const struct window_sample *sample, unsigned quantity, unsigned kind, double value,
                 int64_t boot_ms, struct fact *facts, size_t *n_facts)
{
    if (!fact_push(facts, n_facts, sample->scan, ROWS[quantity].carrier, (uint8_t)kind, value))
        return false;
    facts[*n_facts - 1].boot_ms = boot_ms;
    return true;
}

/** A whole hour becomes a fact; where facts have no more room it is lost to all alike. */
static void seal_hour(struct window_bin *bin, unsigned quantity, const struct window_sample *sample,
                      struct fact *facts, size_t *n_facts)
{
    const double values[HOUR_VALUES] = {bin->is_unsure ? -bin->weight_ms : bin->weight_ms,
                                        bin->mean, bin->low, bin->high};
    const unsigned slot = (unsigned)((uint64_t)bin->index % HOUR_SLOTS),
                   n = ROWS[quantity].has_range ? HOUR_VALUES : HOUR_LOW;
    if (*n_facts + n > MEASURE_FACTS_MAX) {
        *bin = (struct window_bin){0};
        return;
    }
    for (unsigned v = 0; v < n; v++)
        (void)push(sample, quantity, FACT_HOUR + v * HOUR_SLOTS + slot, values[v],
                   bin->index * WINDOW_HOUR_MS, facts, n_facts);
    bin->is_sealed = true;
}

/** The hours of the day before, put together; nothing where too few of them are known. */
static void seal_day(struct windows *windows, const struct window_sample *sample,
                     struct fact *facts, size_t *n_facts)
{
    const int64_t index = sample->at / WINDOW_DAY_MS - 1;
    if (index < 0)
        return;
    struct window_day *day = &windows->days[(uint64_t)index % WINDOW_DAYS];
    const int64_t began = windows->began[WINDOW_INSULATION] / WINDOW_HOUR_MS;
    double weight_ms = 0.0, mean = 0.0;
    bool is_unsure = false;
    if (day->index == index && day->weight_ms != 0.0)
        return;
    for (int64_t hour = 24 * index; hour < 24 * (index + 1); hour++) {
        const struct window_bin *bin =
            &windows->day[WINDOW_INSULATION][(uint64_t)hour % SPAN_DAY_BINS];
        if (bin->index != hour || !(bin->weight_ms > 0.0) || hour < began)
            continue;
        weight_ms += bin->weight_ms;
        mean += (bin->mean - mean) * bin->weight_ms / weight_ms;
        is_unsure = is_unsure || bin->is_unsure;
    }
    if (weight_ms < (double)DAY_LEAST_MS || *n_facts + 2 > MEASURE_FACTS_MAX)
        return;
    const unsigned slot = (unsigned)((uint64_t)index % WINDOW_DAYS);
    *day = (struct window_day){index, is_unsure ? -weight_ms : weight_ms, mean};
    (void)push(sample, WINDOW_INSULATION, FACT_DAY + slot, day->weight_ms, index * WINDOW_DAY_MS,
               facts, n_facts);
    (void)push(sample, WINDOW_INSULATION, FACT_DAY + WINDOW_DAYS + slot, mean,
               index * WINDOW_DAY_MS, facts, n_facts);
}

/** Hours that ended before this scan. One that ended longer ago than a fold re-reads is forgotten:
 * a fold that begins later would not have the whole of it. */
static void close_hours(struct windows *windows, unsigned quantity,
                        const struct window_sample *sample, struct fact *facts, size_t *n_facts)
{
    struct window_bin *ring = windows->day[quantity];
    const int64_t hour = sample->at / WINDOW_HOUR_MS, before = windows->hold[quantity].at;
    for (unsigned i = 0; i < SPAN_DAY_BINS; i++) {
        struct window_bin *bin = &ring[i];
        if (bin->is_sealed || !(bin->weight_ms > 0.0) || bin->index >= hour)
            continue;
        if (sample->at - (bin->index + 1) * WINDOW_HOUR_MS > sample->lapse_ms)
            *bin = (struct window_bin){0};
        else
            seal_hour(bin, quantity, sample, facts, n_facts);
    }
    const bool is_first = before == NEVER || before / WINDOW_HOUR_MS != hour; /* of its hour */
    if (is_first && quantity == WINDOW_INSULATION)
        seal_day(windows, sample, facts, n_facts);
}

/* ---- what is held goes into the bins ---- */

static void bin_add(struct window_bin *bin, double weight_ms, double value, bool is_unsure)
{
    if (bin->weight_ms > 0.0 && bin->is_unsure != is_unsure) {
        if (is_unsure)
            return;
        *bin = (struct window_bin){.index = bin->index};
    }
    if (!(bin->weight_ms > 0.0)) {
        bin->is_unsure = is_unsure;
        bin->low = bin->high = bin->mean = value;
    }
    const double d = value - bin->mean;
    bin->weight_ms += weight_ms;
    bin->mean += d * (weight_ms / bin->weight_ms);
    bin->m2 += weight_ms * d * (value - bin->mean);
    bin->low = value < bin->low ? value : bin->low;
    bin->high = value > bin->high ? value : bin->high;
}

static void spread(struct window_bin *ring, unsigned n, int64_t length_ms, int64_t from, int64_t to,
                   const struct window_hold *hold)
{
    int64_t index = from / length_ms;
    const int64_t last = (to - 1) / length_ms;
    if (last - index >= (int64_t)n)
        index = last - (int64_t)n + 1; /* the ring holds no more */
    for (; index <= last; index++) {   /* at most n turns */
        const int64_t begin = index * length_ms, end = begin + length_ms;
        const int64_t a = from > begin ? from : begin, b = to < end ? to : end;
        struct window_bin *bin = &ring[(uint64_t)index % n];
        if (bin->index != index)
            *bin = (struct window_bin){.index = index};
        if (!bin->is_sealed)
            bin_add(bin, (double)(b - a), hold->value, hold->is_unsure);
    }
}

static void settle_hold(struct windows *windows, unsigned quantity, int64_t at)
{
    const struct window_hold *hold = &windows->hold[quantity];
    const int64_t to = at < hold->until ? at : hold->until;
    if (!hold->has_value || hold->at < 0 || to <= hold->at)
        return;
    for (unsigned span = 0; span < SPANS; span++) {
        struct window_bin *ring = ring_of(windows, quantity, span);
        if (ring != 0)
            spread(ring, BINS[span], LENGTH_MS[span], hold->at, to, hold);
    }
}

void windows_take(struct windows *windows, enum window_quantity quantity,
                  const struct window_sample *sample, struct fact *facts, size_t *n_facts)
{
    struct window_hold *hold = &windows->hold[quantity];
    if (hold->at != NEVER && (hold->source != sample->source || hold->point != sample->point))
        forget(windows, quantity, sample->at);
    if (sample->at < 0 || (hold->at != NEVER && sample->at < hold->at))
        return;
    if (windows->is_new[quantity] && windows->began[quantity] < sample->at &&
        push(sample, quantity, FACT_WINDOWS_BEGUN, 0.0, sample->at, facts, n_facts))
        windows->began[quantity] = sample->at;
    windows->is_new[quantity] = false;
    if (hold->at != NEVER)
        settle_hold(windows, quantity, sample->at);
    close_hours(windows, quantity, sample, facts, n_facts);
    const enum quality_class class = quality_class_of(sample->quality);
    *hold = (struct window_hold){.has_value = class != QUALITY_CLASS_BAD && isfinite(sample->value),
                                 .is_unsure = class != QUALITY_CLASS_GOOD,
                                 .source = sample->source,
                                 .point = sample->point,
                                 .at = sample->at,
                                 .until = sample->until,
                                 .value = sample->value};
}

void windows_see_pump(struct windows *windows, uint8_t state, int64_t at, int64_t lapse_ms)
{
    if (state == PUMP_UNKNOWN)
        return;
    /* Not known for a lapse: it may have stopped and started unseen. */
    const bool is_lost = windows->pump_known == NEVER || at < windows->pump_known ||
                         at - windows->pump_known > lapse_ms;
    if (is_lost || windows->pump != state)
        windows->pump_changed = at;
    windows->pump = state;
    windows->pump_known = at;
}

/* ---- sums ---- */

struct window_sum windows_sum(const struct windows *windows, enum window_quantity quantity,
                              enum window_span span, int64_t now, double coverage)
{
    unsigned n;
    int64_t length_ms;
    const struct window_bin *ring = windows_bins(windows, quantity, span, &n, &length_ms);
    const int64_t newest = now / length_ms, oldest = newest - (int64_t)n + 1,
                  began = windows->began[quantity] / length_ms;
    struct window_sum sum = {.total_ms = (double)(now - oldest * length_ms)};
    for (unsigned pass = 0; ring != 0 && pass < 2; pass++) {
        for (int64_t index = oldest < 0 ? 0 : oldest; index <= newest; index++) {
            const struct window_bin *bin = &ring[(uint64_t)index % n];
            if (bin->index != index || !(bin->weight_ms > 0.0) || index < began)
                continue;
            if (pass == 0) {
                sum.all_ms += bin->weight_ms;
                sum.good_ms += bin->is_unsure ? 0.0 : bin->weight_ms;
                continue;
            }
            if (sum.is_of_good && bin->is_unsure)
                continue;
            const double before = sum.weight_ms, d = bin->mean - sum.mean;
            sum.weight_ms += bin->weight_ms;
            sum.mean += d * (bin->weight_ms / sum.weight_ms);
            sum.m2 += bin->m2 + d * d * (before / sum.weight_ms) * bin->weight_ms;
            sum.low = sum.bins == 0 || bin->low < sum.low ? bin->low : sum.low;
            sum.high = sum.bins == 0 || bin->high > sum.high ? bin->high : sum.high;
            sum.bins++;
        }
        sum.is_of_good = sum.good_ms > 0.0 && sum.good_ms >= coverage * sum.total_ms;
    }
    return sum;
}
