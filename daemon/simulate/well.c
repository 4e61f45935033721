/* SPDX-License-Identifier: Apache-2.0
 *
 * well.c - an invented pumped well as a pure function of seed and time: no memory, so any instant
 * can be computed at once.
 *
 * A schedule is a ring of phases. Four numbers are the well's state: intake pressure, heat (1 =
 * warm at full load), pump head, and the drive's frequency factor. Within a phase each has a closed
 * form since the phase's edge, so a state at any time follows by walking the edges of one turn of
 * the ring; the state at the turn's start is the fixed point of a whole turn. Everything else hangs
 * on these four:
 *
 *   discharge = intake + head,  head by frequency squared while it runs (affinity law), the column
 * falling back after a stop intake    = falls exponentially to its flowing pressure; builds up with
 * the logarithm of time at shut-in power     = sqrt(3) x voltage x current x power factor, of the
 * very numbers that are shown
 *
 * Affinity law and log-time build-up: common practice, any pump or well-testing handbook. All
 * constants are invented.
 */
#include "uphole/simulate.h"

#include <math.h>

#include "well.h"

#define PI 3.14159265358979323846
#define TURNS_TO_SETTLE 3
#define PHASES_MAX 8

struct phase_row {
    uint8_t phase;
    double duration_s;
    double factor; /* drive frequency over its rated one at the end of the ramp; 0 stopped */
};

/* How fast an invented well moves: the brisk one lets a person see a whole story in six minutes. */
struct pace {
    double draw_down_s, build_up_s, full_build_up_s, heat_s, fall_back_s, ramp_s;
};
static const struct {
    const char *name;
    struct pace pace;
    unsigned n;
    struct phase_row row[PHASES_MAX];
} SCHEDULES[WELL_SCHEDULES] = {
    /* clang-format off */
    [WELL_SCHEDULE_DAYS]   = {"days",   {2700, 240, 43200, 1500, 720, 360}, 6,
                              {{WELL_STEADY, 108000, 1.0}, {WELL_DRAW_DOWN, 25200, 1.06}, {WELL_SHUT_IN, 21600, 0},
                               {WELL_STOPPED, 3600, 0}, {WELL_START_UP, 900, 1.0}, {WELL_STEADY, 13500, 1.0}}},
    [WELL_SCHEDULE_BRISK]  = {"brisk",  {20, 2, 120, 30, 10, 5}, 6,
                              {{WELL_STEADY, 80, 1.0}, {WELL_DRAW_DOWN, 80, 1.06}, {WELL_SHUT_IN, 70, 0},
                               {WELL_STOPPED, 20, 0}, {WELL_START_UP, 30, 1.0}, {WELL_STEADY, 80, 1.0}}},
    [WELL_SCHEDULE_SWING]  = {"swing",  {25, 240, 43200, 60, 720, 15}, 3,
                              {{WELL_STEADY, 40, 1.0}, {WELL_DRAW_DOWN, 80, 1.06}, {WELL_STEADY, 60, 1.0}}},
    [WELL_SCHEDULE_STEADY] = {"steady", {2700, 240, 43200, 1500, 720, 60}, 1, {{WELL_STEADY, 86400, 1.0}}},
    /* clang-format on */
};

const char *well_schedule_name(uint8_t schedule)
{
    return schedule < WELL_SCHEDULES ? SCHEDULES[schedule].name : "unknown";
}

/* splitmix64: Steele, Lea, Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014. */
uint64_t simulate_mix(uint64_t x)
{
    x += 0x9E3779B97F4A7C15u;
    x = (x ^ x >> 30) * 0xBF58476D1CE4E5B9u;
    x = (x ^ x >> 27) * 0x94D049BB133111EBu;
    return x ^ x >> 31;
}

double simulate_share(uint64_t x)
{
    return (double)(simulate_mix(x) >> 11) / 9007199254740992.0; /* 2^53 */
}

/* What makes one invented well differ from the next. */
struct constitution {
    double static_kpa, drawdown_kpa, head_kpa, reservoir_c, rated_hz, rated_a, rated_v, leakage_ma,
        shake;
};

static struct constitution constitution_of(uint64_t seed)
{
    double u[9];
    for (unsigned i = 0; i < 9; i++)
        u[i] = simulate_share(seed * 1000003u + i);
    return (struct constitution){.static_kpa = 14000 + 5000 * u[0],
                                 .drawdown_kpa = 5500 + 3000 * u[1],
                                 .head_kpa = 9000 + 4000 * u[2],
                                 .reservoir_c = 66 + 18 * u[3],
                                 .rated_hz = 46 + 8 * u[4],
                                 .rated_a = 38 + 20 * u[5],
                                 .rated_v = 1500 + 800 * u[6],
                                 .leakage_ma = 0.08 + 0.25 * u[7],
                                 .shake = 0.6 + 0.9 * u[8]};
}

struct state {
    double intake_kpa, heat, head_kpa, factor;
};

static double lag(double from, double to, double t_s, double time_constant_s)
{
    return to + (from - to) * exp(-t_s / time_constant_s);
}

/* The state `t_s` after the edge at which it was `from`. */
static struct state state_within(const struct constitution *well, const struct pace *pace,
                                 const struct phase_row *row, struct state from, double t_s)
{
    struct state now = from;
    double ramp = t_s >= pace->ramp_s ? 1 : t_s / pace->ramp_s;
    now.factor = from.factor + (row->factor - from.factor) * ramp;
    now.heat = lag(from.heat, row->factor * row->factor, t_s, pace->heat_s);
    double driven_kpa = well->head_kpa * now.factor * now.factor;
    bool column_moves = row->factor <= 0 || from.factor <= 0;
    double column_kpa = column_moves ? from.head_kpa * exp(-t_s / pace->fall_back_s) : 0;
    now.head_kpa = fmax(driven_kpa, column_kpa);
    if (row->phase == WELL_SHUT_IN) {
        double done =
            log1p(t_s / pace->build_up_s) / log1p(pace->full_build_up_s / pace->build_up_s);
        now.intake_kpa = from.intake_kpa + (well->static_kpa - from.intake_kpa) * fmin(1, done);
    } else if (row->phase == WELL_STOPPED) {
        now.intake_kpa = lag(from.intake_kpa, well->static_kpa, t_s, pace->full_build_up_s / 4);
    } else {
        double flowing_kpa = well->static_kpa - well->drawdown_kpa * row->factor;
        double slow = row->phase == WELL_DRAW_DOWN ? 3 : 1;
        now.intake_kpa = lag(from.intake_kpa, flowing_kpa, t_s, pace->draw_down_s * slow);
    }
    return now;
}

static double power_kw_at(const struct constitution *well, double factor)
{
    if (factor < 0.01)
        return 0;
    double amperes = well->rated_a * (0.35 + 0.65 * factor * factor);
    return sqrt(3) * well->rated_v * factor * amperes * fmin(0.9, 0.5 + 0.34 * factor) / 1000;
}

/* Where in the schedule `time_ms` lies, and the four numbers there. Before zero the well stands as
 * it does at zero. */
struct place {
    struct state state;
    uint8_t phase;
    double energy_kwh;
};
static struct place place_at(const struct constitution *well, uint8_t schedule, int64_t time_ms)
{
    const struct pace *pace = &SCHEDULES[schedule].pace;
    const struct phase_row *rows = SCHEDULES[schedule].row;
    unsigned n = SCHEDULES[schedule].n;
    double turn_s = 0, turn_kwh = 0;
    for (unsigned i = 0; i < n; i++) {
        turn_s += rows[i].duration_s;
        turn_kwh += power_kw_at(well, rows[i].factor) * rows[i].duration_s / 3600;
    }
    struct state at = {well->static_kpa - well->drawdown_kpa, 1, well->head_kpa, 1};
    for (unsigned turn = 0; turn < TURNS_TO_SETTLE && n > 1; turn++)
        for (unsigned i = 0; i < n; i++)
            at = state_within(well, pace, &rows[i], at, rows[i].duration_s);
    int64_t turn_ms = (int64_t)(turn_s * 1000);
    int64_t since_zero_ms = time_ms > 0 ? time_ms : 0;
    double t_s = (double)(since_zero_ms % turn_ms) / 1000;
    struct place place = {.energy_kwh = turn_kwh * (double)(since_zero_ms / turn_ms)};
    unsigned i = 0;
    for (; i + 1 < n && t_s >= rows[i].duration_s; i++) {
        at = state_within(well, pace, &rows[i], at, rows[i].duration_s);
        place.energy_kwh += power_kw_at(well, rows[i].factor) * rows[i].duration_s / 3600;
        t_s -= rows[i].duration_s;
    }
    place.energy_kwh += power_kw_at(well, rows[i].factor) * t_s / 3600;
    place.state = state_within(well, pace, &rows[i], at, t_s);
    place.phase = rows[i].phase;
    return place;
}

/* Noise of up to one and a half published steps, drawn from seed, point and instant alone. */
static double noise(uint64_t seed, unsigned point, int64_t time_ms)
{
    const struct point *row = point_get(point);
    double share =
        simulate_share(simulate_mix(seed) ^ simulate_mix((uint64_t)time_ms * 64 + point));
    return row ? row->resolution * 1.5 * (2 * share - 1) : 0;
}

static void put(struct well_truth *out, uint64_t seed, int64_t time_ms, unsigned point,
                double value)
{
    out->value[point] = value + noise(seed, point, time_ms);
}

static void put_downhole(struct well_truth *out, uint64_t seed, int64_t t,
                         const struct constitution *well, const struct state *state)
{
    double intake_c = well->reservoir_c + 1.2 * state->heat;
    bool runs = state->factor >= 0.01;
    double shake = runs ? well->shake * state->factor * state->factor : 0.02;
    put(out, seed, t, 1, state->intake_kpa);
    /* While it runs the head is far above noise; when the column has come to rest both sensors see
     * one pressure. */
    put(out, seed, t, 2, state->intake_kpa + state->head_kpa);
    put(out, seed, t, 3, intake_c);
    put(out, seed, t, 4, intake_c + 4 * state->heat);
    put(out, seed, t, 5, intake_c + 31 * state->heat);
    put(out, seed, t, 6, intake_c + 19 * state->heat);
    put(out, seed, t, 7, intake_c + 7 * state->heat);
    for (unsigned axis = 0; axis < 3; axis++) {
        double share = axis == 2 ? 0.4 : 1 - 0.1 * axis;
        out->value[8 + axis] = fabs(2 * shake * share + noise(seed, 8 + axis, t));
        out->value[47 + axis] = fabs(1.1 * shake * share + noise(seed, 47 + axis, t));
    }
    out->value[11] = fabs(well->leakage_ma + noise(seed, 11, t));
    put(out, seed, t, 12, 2600 / well->leakage_ma);
    put(out, seed, t, 13, 78 + 4 * well->shake);
    put(out, seed, t, 14, 11.4 + 0.3 * state->heat);
    out->value[15] = 1; /* the unit says it in its own words */
    put(out, seed, t, 50, intake_c + 32.5 * state->heat);
}

static void put_surface(struct well_truth *out, uint64_t seed, int64_t t, const struct state *state)
{
    double day = sin(2 * PI * (double)t / 86400000.0);
    put(out, seed, t, 16, 24 + 7 * day);
    put(out, seed, t, 17, 24.1);
    put(out, seed, t, 18, 420 + 1150 * state->heat);
    put(out, seed, t, 19, 760 - 40 * state->heat);
    put(out, seed, t, 20, 17 + 5 * day + 38 * state->heat);
}

static void put_drive(struct well_truth *out, uint64_t seed, int64_t t,
                      const struct constitution *well, const struct place *place)
{
    double factor = place->state.factor;
    bool runs = factor >= 0.01;
    double amperes = runs ? well->rated_a * (0.35 + 0.65 * factor * factor) : 0;
    double sum = 0;
    out->value[21] = runs ? well->rated_hz * factor : 0;
    for (unsigned phase = 0; phase < 3; phase++) {
        double uneven = 1 + 0.012 * ((double)phase - 1);
        out->value[23 + phase] = runs ? fabs(amperes * uneven + noise(seed, 23 + phase, t)) : 0;
        sum += out->value[23 + phase];
    }
    out->value[22] = sum / 3;
    out->value[26] = runs ? fabs(462 * factor + noise(seed, 26, t)) : 0;
    out->value[27] = runs ? fabs(well->rated_v * factor + noise(seed, 27, t)) : 0;
    put(out, seed, t, 28, 648 - 6 * factor);
    out->value[30] = runs ? fmin(0.9, 0.5 + 0.34 * factor + noise(seed, 30, t) / 3) : 0;
    out->value[29] = sqrt(3) * out->value[27] * out->value[22] * out->value[30] / 1000;
    put(out, seed, t, 31, 27 + 21 * place->state.heat);
    out->value[32] = runs ? 2 : 1;
    out->value[33] = 0;
    out->value[51] = 100 * out->value[22] / well->rated_a;
    out->value[52] = place->energy_kwh;
}

void well_truth_scheduled(uint64_t seed, uint8_t schedule, int64_t time_ms, struct well_truth *out)
{
    struct constitution well = constitution_of(seed);
    struct place place =
        place_at(&well, schedule < WELL_SCHEDULES ? schedule : WELL_SCHEDULE_DAYS, time_ms);
    for (unsigned point = 0; point < POINT_COUNT; point++)
        out->value[point] = NAN;
    out->phase = place.phase;
    put_downhole(out, seed, time_ms, &well, &place.state);
    put_surface(out, seed, time_ms, &place.state);
    put_drive(out, seed, time_ms, &well, &place);
}

void well_truth_at(uint64_t seed, int64_t time_ms, struct well_truth *out)
{
    well_truth_scheduled(seed, WELL_SCHEDULE_DAYS, time_ms, out);
}
