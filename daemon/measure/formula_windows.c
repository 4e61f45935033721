/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_windows.c - what windows over irregular samples with gaps say: time-weighted means,
 * extremes, coverage, the time to a limit, the trend of an insulation.
 *
 * The daemon sums the same by bins, as scans come (windows.c); here the samples stand in a list, so
 * that a person can check a published mean from an export. What is not a number never enters: it
 * ends the validity of the sample before it.
 */
#include "formula_groups.h"

#include <math.h>

#define INSULATION_MOST 128
#define INSULATION_LEAST 5

/* ---- time-weighted means: t, x, a, b, G ---- */

struct weighted {
    double sum, time_s, low, high;
    double mean, m2; /* of held values: West 1979 (from memory) */
};

/** Two stamps alike: the later record holds. */
static bool is_superseded(const struct formula_given *given, size_t i)
{
    return i + 1 < given[0].n && given[0].list[i + 1] == given[0].list[i];
}

static struct weighted held(const struct formula_given *given)
{
    const double a = given[2].value, b = given[3].value, most = given[4].value;
    struct weighted weighted = {.low = INFINITY, .high = -INFINITY};
    for (size_t i = 0; i < given[0].n; i++) {
        const double t = given[0].list[i], x = given[1].list[i];
        if (!isfinite(x) || is_superseded(given, i))
            continue;
        double end = t + most;
        if (i + 1 < given[0].n && given[0].list[i + 1] < end)
            end = given[0].list[i + 1];
        const double from = fmax(t, a), to = fmin(end, b);
        if (to <= from)
            continue;
        const double d = x - weighted.mean;
        weighted.sum += x * (to - from);
        weighted.time_s += to - from;
        weighted.mean += d * ((to - from) / weighted.time_s);
        weighted.m2 += (to - from) * d * (x - weighted.mean);
        weighted.low = fmin(weighted.low, x);
        weighted.high = fmax(weighted.high, x);
    }
    return weighted;
}

static struct weighted joined(const struct formula_given *given)
{
    const double a = given[2].value, b = given[3].value, most = given[4].value;
    struct weighted weighted = {0};
    for (size_t i = 0; i + 1 < given[0].n; i++) {
        const double t1 = given[0].list[i], t2 = given[0].list[i + 1];
        const double x1 = given[1].list[i], x2 = given[1].list[i + 1];
        const double from = fmax(t1, a), to = fmin(t2, b);
        if (!(t2 > t1) || t2 - t1 > most || !isfinite(x1) || !isfinite(x2) || to <= from)
            continue;
        const double slope = (x2 - x1) / (t2 - t1);
        const double middle = x1 + slope * (0.5 * (from + to) - t1);
        weighted.sum += middle * (to - from);
        weighted.time_s += to - from;
    }
    return weighted;
}

static bool may_weigh(const struct formula_given *given, struct formula_result *out)
{
    if (given[0].n != given[1].n)
        formula_none(out, REASON_DOMAIN, 1);
    else if (!(given[3].value > given[2].value))
        formula_none(out, REASON_DOMAIN, 3);
    for (size_t i = 1; out->reason == REASON_NONE && i < given[0].n; i++)
        if (given[0].list[i] < given[0].list[i - 1])
            formula_none(out, REASON_DOMAIN, 0);
    return out->reason == REASON_NONE;
}

enum weighed { WEIGH_MEAN, WEIGH_COVERAGE, WEIGH_LOW, WEIGH_HIGH, WEIGH_DEVIATION };

static void weigh(const struct formula_given *given, struct formula_steps *steps,
                  struct formula_result *out, struct weighted (*rule)(const struct formula_given *),
                  enum weighed what)
{
    if (!may_weigh(given, out))
        return;
    const struct weighted weighted = rule(given);
    const double share = weighted.time_s / (given[3].value - given[2].value);
    formula_step(steps, "time covered", weighted.time_s, "s");
    formula_step(steps, "coverage", share, "");
    if (what == WEIGH_COVERAGE) {
        out->value = share;
        return;
    }
    if (!(weighted.time_s > 0.0))
        formula_none(out, REASON_GAP, FORMULA_NO_INPUT);
    else if (what == WEIGH_LOW)
        out->value = weighted.low;
    else if (what == WEIGH_HIGH)
        out->value = weighted.high;
    else if (what == WEIGH_DEVIATION)
        out->value = sqrt(weighted.m2 / weighted.time_s);
    else
        out->value = weighted.sum / weighted.time_s;
    if (share < 0.75)
        out->flags |= FLAG_UNCERTAIN;
}

FORMULA_FUNCTION(hold_mean)
{
    weigh(given, steps, out, held, WEIGH_MEAN);
}

FORMULA_FUNCTION(hold_coverage)
{
    weigh(given, steps, out, held, WEIGH_COVERAGE);
}

FORMULA_FUNCTION(hold_low)
{
    weigh(given, steps, out, held, WEIGH_LOW);
}

FORMULA_FUNCTION(hold_high)
{
    weigh(given, steps, out, held, WEIGH_HIGH);
}

FORMULA_FUNCTION(hold_deviation)
{
    weigh(given, steps, out, held, WEIGH_DEVIATION);
}

FORMULA_FUNCTION(linear_mean)
{
    weigh(given, steps, out, joined, WEIGH_MEAN);
}

FORMULA_FUNCTION(linear_coverage)
{
    weigh(given, steps, out, joined, WEIGH_COVERAGE);
}

/* ---- time to a limit, trend ---- */

/** p, limit, rate a second. */
FORMULA_FUNCTION(fall_to_limit)
{
    const double margin = given[0].value - given[1].value;
    (void)steps;
    if (margin <= 0.0) {
        out->value = 0.0;
        out->flags |= FLAG_LIMITED;
    } else if (!(given[2].value < 0.0)) {
        formula_none(out, REASON_DOMAIN, 2);
    } else {
        out->value = margin / -given[2].value;
    }
}

/** t, R: the robust slope of ln R, over a day. */
FORMULA_FUNCTION(daily_change)
{
    double day[INSULATION_MOST], log_of[INSULATION_MOST];
    const size_t n = given[0].n;
    if (n != given[1].n || n > INSULATION_MOST) {
        formula_none(out, REASON_DOMAIN, 1);
        return;
    }
    if (n < INSULATION_LEAST) {
        formula_none(out, REASON_TOO_FEW, 0);
        return;
    }
    for (size_t i = 0; i < n; i++) {
        day[i] = given[0].list[i] / DAY_IN_S;
        log_of[i] = log(given[1].list[i]);
        if (!isfinite(day[i]) || !isfinite(log_of[i])) {
            formula_none(out, REASON_DOMAIN, isfinite(day[i]) ? 1 : 0);
            return;
        }
    }
    slope_theil_sen(day, log_of, n, out);
    if (out->reason != REASON_NONE)
        return;
    formula_step(steps, "slope of ln R, a day", out->value, "");
    out->value = expm1(out->value);
}

/* clang-format off */
#define LIST(symbol, unit, words) INPUT(symbol, unit, words, .list = true)
static const struct formula_input WINDOW[] = {LIST("t", "s", "times, ascending"), LIST("x", "", "values"), INPUT("a", "s", "start of the window"),
    INPUT("b", "s", "end of the window"), INPUT("G", "s", "longest gap that is bridged", .take = TAKE_CONFIGURED, .bound = BOUND_POSITIVE)};
static const struct formula_input FALL[] = {INPUT("p_i", "Pa", "intake pressure"), INPUT("p_lim", "Pa", "its limit", .take = TAKE_CONFIGURED), INPUT("r", "Pa/s", "rate of change")};
static const struct formula_input TREND[] = {LIST("t", "d", "times"), LIST("R", "ohm", "resistances at the reference temperature")};

#define WEIGHTED "uncertain below a coverage of 0.75 (project rule)"
static const struct formula ROWS[] = {
    FORMULA("twa.hold_mean", "Time-weighted mean, values held", "sum(x_i w_i) / sum(w_i)", "", WEIGHTED, "definition", WINDOW, hold_mean),
    FORMULA("twa.hold_coverage", "Share of the window that held values cover", "sum(w_i) / (b - a)", "", "", "definition", WINDOW, hold_coverage),
    FORMULA("twa.hold_low", "Lowest of a window, values held", "min(x_i), w_i > 0", "", WEIGHTED, "definition", WINDOW, hold_low),
    FORMULA("twa.hold_high", "Highest of a window, values held", "max(x_i), w_i > 0", "", WEIGHTED, "definition", WINDOW, hold_high),
    FORMULA("twa.hold_sd", "Time-weighted standard deviation, values held", "sqrt(sum(w_i (x_i - m)^2) / sum(w_i))", "", WEIGHTED, "definition", WINDOW, hold_deviation),
    FORMULA("twa.linear_mean", "Time-weighted mean, values joined", "trapezoids between neighbours", "", WEIGHTED, "definition", WINDOW, linear_mean),
    FORMULA("twa.linear_coverage", "Share of the window that joined values cover", "sum(w_i) / (b - a)", "", "", "definition", WINDOW, linear_coverage),
    FORMULA("intake.time_to_limit", "Time until a falling intake pressure reaches its limit", "(p_i - p_lim) / -r", "h", "a straight line; the pressure usually falls ever more slowly",
            "definition", FALL, fall_to_limit),
    FORMULA("insulation.daily_change", "Change of an insulation resistance in a day, from its trend", "exp(median slope of ln R_i) - 1", "%",
            "five days at least, resistances at one temperature", "Theil 1950, Sen 1968 (from memory)", TREND, daily_change),
};
/* clang-format on */

const struct formula_group FORMULA_WINDOWS = FORMULA_ROWS(ROWS);
