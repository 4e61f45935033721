/* SPDX-License-Identifier: Apache-2.0
 *
 * formula_statistics.c - means, spreads, slopes.
 *
 * What is not a number never enters: it is counted out. One sample a refresh: repeated polls of one
 * refresh make a spread too small.
 */
#include "formula_groups.h"

#include <math.h>

#define SAMPLES_LEAST 5
#define ROBUST_MOST 128 /* samples: 8,128 pairs */
#define PAIRS_MOST (ROBUST_MOST * (ROBUST_MOST - 1) / 2)
#define NORMAL_95 1.959963984540054 /* 97.5 % of the standard normal lie below: tables of it */

/** Welford's sums, in one pass. */
struct moments {
    size_t n;
    double mean, m2;
};

static struct moments moments_of(const double *x, size_t n)
{
    struct moments moments = {0};
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(x[i]))
            continue;
        const double d = x[i] - moments.mean;
        moments.n++;
        moments.mean += d / (double)moments.n;
        moments.m2 += d * (x[i] - moments.mean);
    }
    return moments;
}

FORMULA_FUNCTION(mean)
{
    const struct moments moments = moments_of(given[0].list, given[0].n);
    formula_step(steps, "n used", (double)moments.n, "");
    formula_step(steps, "n rejected", (double)(given[0].n - moments.n), "");
    out->value = moments.mean;
    if (moments.n == 0)
        formula_none(out, REASON_TOO_FEW, 0);
}

FORMULA_FUNCTION(deviation)
{
    const struct moments moments = moments_of(given[0].list, given[0].n);
    const bool population = given[1].value == 1.0;
    formula_step(steps, "mean", moments.mean, "");
    formula_step(steps, "M2", moments.m2, "");
    if (moments.n < (population ? 1 : 2))
        formula_none(out, REASON_TOO_FEW, 0);
    else
        out->value = sqrt(moments.m2 / (double)(population ? moments.n : moments.n - 1));
}

/** As NIST StRD defines it: about the mean of all. */
FORMULA_FUNCTION(lag)
{
    const struct moments moments = moments_of(given[0].list, given[0].n);
    double sum = 0.0;
    (void)steps;
    if (given[0].n < 2 || moments.n < given[0].n) {
        formula_none(out, moments.n < given[0].n ? REASON_GAP : REASON_TOO_FEW, 0);
        return;
    }
    for (size_t i = 1; i < given[0].n; i++)
        sum += (given[0].list[i] - moments.mean) * (given[0].list[i - 1] - moments.mean);
    out->value = sum / moments.m2;
}

FORMULA_FUNCTION(merged_mean)
{
    const double n = given[0].value + given[3].value, d = given[4].value - given[1].value;
    (void)steps;
    out->value = given[1].value + d * given[3].value / n;
}

FORMULA_FUNCTION(merged_m2)
{
    const double n = given[0].value + given[3].value, d = given[4].value - given[1].value;
    (void)steps;
    out->value = given[2].value + given[5].value + d * d * given[0].value * given[3].value / n;
}

/* ---- slopes ---- */

struct straight {
    double slope, intercept;
};

static bool may_fit(const struct formula_given *x, const struct formula_given *y,
                    struct formula_result *out)
{
    if (x->n != y->n)
        formula_none(out, REASON_DOMAIN, 1);
    else if (x->n < SAMPLES_LEAST)
        formula_none(out, REASON_TOO_FEW, 0);
    for (size_t i = 0; out->reason == REASON_NONE && i < x->n; i++)
        if (!isfinite(x->list[i]) || !isfinite(y->list[i]))
            formula_none(out, REASON_INPUT_BAD, isfinite(x->list[i]) ? 1 : 0);
    return out->reason == REASON_NONE;
}

/** About the means, with x counted from its first: seconds since 1970 squared would lose digits. */
static bool least_squares(const struct formula_given *x, const struct formula_given *y,
                          struct straight *line, struct formula_result *out)
{
    double mean_x = 0.0, mean_y = 0.0, sxx = 0.0, sxy = 0.0;
    if (!may_fit(x, y, out))
        return false;
    for (size_t i = 0; i < x->n; i++) {
        mean_x += (x->list[i] - x->list[0]) / (double)x->n;
        mean_y += (y->list[i] - y->list[0]) / (double)x->n;
    }
    for (size_t i = 0; i < x->n; i++) {
        const double dx = x->list[i] - x->list[0] - mean_x;
        sxx += dx * dx;
        sxy += dx * (y->list[i] - y->list[0] - mean_y);
    }
    if (!(sxx > 0.0)) {
        formula_none(out, REASON_DOMAIN, 0);
        return false;
    }
    line->slope = sxy / sxx;
    line->intercept = y->list[0] + mean_y - line->slope * (x->list[0] + mean_x);
    return true;
}

FORMULA_FUNCTION(ols)
{
    struct straight line;
    (void)steps;
    if (least_squares(&given[0], &given[1], &line, out))
        out->value = line.slope;
}

FORMULA_FUNCTION(ols_intercept)
{
    struct straight line;
    if (!least_squares(&given[0], &given[1], &line, out))
        return;
    formula_step(steps, "slope", line.slope, "");
    out->value = line.intercept;
}

static void swap(double *a, double *b)
{
    const double kept = *a;
    *a = *b;
    *b = kept;
}

/** The k-th smallest, by Hoare's selection; orders `x` in part. Middle of three as pivot. */
static double nth(double *x, size_t n, size_t k)
{
    size_t low = 0, high = n - 1;
    while (low < high) {
        const size_t middle = low + (high - low) / 2;
        if (x[middle] < x[low])
            swap(&x[middle], &x[low]);
        if (x[high] < x[low])
            swap(&x[high], &x[low]);
        if (x[high] < x[middle])
            swap(&x[high], &x[middle]);
        const double pivot = x[middle];
        size_t i = low, j = high;
        while (i <= j) {
            while (x[i] < pivot)
                i++;
            while (x[j] > pivot)
                j--;
            if (i <= j) {
                swap(&x[i], &x[j]);
                i++;
                if (j == 0)
                    break;
                j--;
            }
        }
        if (k <= j)
            high = j;
        else if (k >= i)
            low = i;
        else
            break;
    }
    return x[k];
}

/** Of an even number the mean of the middle two. */
static double median(double *x, size_t n)
{
    const double upper = nth(x, n, n / 2);
    return n % 2 == 1 ? upper : 0.5 * (upper + nth(x, n, n / 2 - 1));
}

/** Slopes of all pairs with different x, of the newest samples; how many. */
static size_t pair_slopes(const double **x, const double **y, size_t *n, double *slopes,
                          struct formula_result *out)
{
    size_t pairs = 0;
    if (*n > ROBUST_MOST) { /* the newest ones */
        *x += *n - ROBUST_MOST;
        *y += *n - ROBUST_MOST;
        *n = ROBUST_MOST;
        out->flags |= FLAG_LIMITED;
    }
    for (size_t i = 0; i < *n; i++)
        for (size_t j = i + 1; j < *n; j++)
            if ((*x)[j] != (*x)[i])
                slopes[pairs++] = ((*y)[j] - (*y)[i]) / ((*x)[j] - (*x)[i]);
    if (pairs == 0)
        formula_none(out, REASON_DOMAIN, 0);
    return pairs;
}

void slope_theil_sen(const double *x, const double *y, size_t n, struct formula_result *out)
{
    double slopes[PAIRS_MOST];
    const size_t pairs = pair_slopes(&x, &y, &n, slopes, out);
    if (pairs > 0)
        out->value = median(slopes, pairs);
}

/** What samples alike take from the variance: k (k - 1) (2k + 5) a group of k. */
static double ties_of(const double *x, size_t n)
{
    double sum = 0.0;
    for (size_t i = 0; i < n; i++) {
        size_t before = 0, k = 0;
        for (size_t j = 0; j < n; j++) {
            before += j < i && x[j] == x[i];
            k += x[j] == x[i];
        }
        if (before == 0)
            sum += (double)k * (double)(k - 1) * (double)(2 * k + 5);
    }
    return sum;
}

void slope_theil_sen_bounds(const double *x, const double *y, size_t n, double *low, double *high,
                            struct formula_result *out)
{
    double slopes[PAIRS_MOST];
    const size_t pairs = pair_slopes(&x, &y, &n, slopes, out);
    if (pairs == 0)
        return;
    const double all = (double)n * (double)(n - 1) * (double)(2 * n + 5),
                 variance = fmax(0.0, all - ties_of(x, n) - ties_of(y, n)) / 18.0,
                 reach = NORMAL_95 * sqrt(variance);
    const double from = rint(((double)pairs - reach) / 2.0) - 1.0,
                 to = rint(((double)pairs + reach) / 2.0);
    *low = nth(slopes, pairs, from > 0.0 ? (size_t)from : 0);
    *high = nth(slopes, pairs, to < (double)(pairs - 1) ? (size_t)to : pairs - 1);
    out->value = median(slopes, pairs);
}

FORMULA_FUNCTION(theil_sen)
{
    (void)steps;
    if (may_fit(&given[0], &given[1], out))
        slope_theil_sen(given[0].list, given[1].list, given[0].n, out);
}

static double theil_sen_bound(const struct formula_given *given, struct formula_steps *steps,
                              struct formula_result *out, bool is_high)
{
    double low = NAN, high = NAN;
    if (!may_fit(&given[0], &given[1], out))
        return NAN;
    slope_theil_sen_bounds(given[0].list, given[1].list, given[0].n, &low, &high, out);
    formula_step(steps, "slope", out->value, "");
    return is_high ? high : low;
}

FORMULA_FUNCTION(theil_sen_low)
{
    out->value = theil_sen_bound(given, steps, out, false);
}

FORMULA_FUNCTION(theil_sen_high)
{
    out->value = theil_sen_bound(given, steps, out, true);
}

FORMULA_FUNCTION(theil_sen_intercept)
{
    double rest[ROBUST_MOST];
    theil_sen(given, 0, out);
    if (out->reason != REASON_NONE)
        return;
    const size_t n = given[0].n < ROBUST_MOST ? given[0].n : ROBUST_MOST;
    const size_t from = given[0].n - n;
    formula_step(steps, "slope", out->value, "");
    for (size_t i = 0; i < n; i++)
        rest[i] = given[1].list[from + i] - out->value * given[0].list[from + i];
    out->value = median(rest, n);
}

FORMULA_FUNCTION(repeated_median)
{
    double outer[ROBUST_MOST], inner[ROBUST_MOST];
    size_t used = 0;
    (void)steps;
    if (!may_fit(&given[0], &given[1], out))
        return;
    const size_t n = given[0].n < ROBUST_MOST ? given[0].n : ROBUST_MOST;
    const double *x = given[0].list + (given[0].n - n), *y = given[1].list + (given[0].n - n);
    if (n < given[0].n)
        out->flags |= FLAG_LIMITED;
    for (size_t i = 0; i < n; i++) {
        size_t pairs = 0;
        for (size_t j = 0; j < n; j++)
            if (x[j] != x[i])
                inner[pairs++] = (y[j] - y[i]) / (x[j] - x[i]);
        if (pairs > 0)
            outer[used++] = median(inner, pairs);
    }
    if (used == 0)
        formula_none(out, REASON_DOMAIN, 0);
    else
        out->value = median(outer, used);
}

/* clang-format off */
#define LIST(symbol, unit, words) INPUT(symbol, unit, words, .list = true)
static const struct formula_input X[] = {LIST("x", "", "samples")};
static const struct formula_input X_DIVISOR[] = {LIST("x", "", "samples"), INPUT("divisor", "", "of the sample or of the population", .take = TAKE_OPTION, .choices = "n-1|n")};
static const struct formula_input BLOCKS[] = {INPUT("n_a", "", "samples of the first block", .bound = BOUND_POSITIVE), INPUT("mean_a", "", "its mean"),
    INPUT("M2_a", "", "its sum of squares about the mean", .bound = BOUND_NOT_NEGATIVE), INPUT("n_b", "", "samples of the second block", .bound = BOUND_POSITIVE),
    INPUT("mean_b", "", "its mean"), INPUT("M2_b", "", "its sum of squares about the mean", .bound = BOUND_NOT_NEGATIVE)};
static const struct formula_input XY[] = {LIST("x", "", "where"), LIST("y", "", "what")};
static const struct formula_input TP[] = {LIST("t", "s", "times"), LIST("p", "Pa", "pressures"),
    INPUT("slope_unit", "", "unit of the result", .take = TAKE_OPTION, .choices = "kPa/h")};

#define WELFORD "Welford 1962 (from memory)"
#define STRD "definition of NIST StRD"
#define SLOPE_RULE "five samples at least, one a refresh of the gauge, no gap, one state of the pump"
#define ROBUST "as for least squares; of more than 128 samples the newest"
#define INDEPENDENT "samples independent of each other; of more than 128 the newest"
static const struct formula ROWS[] = {
    FORMULA("stat.mean", "Mean", "sum x_i / n", "", "what is no number is left out and counted", WELFORD, X, mean),
    FORMULA("stat.sd", "Standard deviation", "sqrt(M2 / (n - 1))", "", "what is no number is left out", WELFORD, X_DIVISOR, deviation),
    FORMULA("stat.lag1", "Lag-1 autocorrelation", "sum (x_i - m)(x_(i-1) - m) / sum (x_i - m)^2", "", "without holes", STRD, X, lag),
    FORMULA("stat.merge_mean", "Mean of two blocks", "mean_a + d n_b / n, d = mean_b - mean_a", "", "", "Chan, Golub, LeVeque 1979 (from memory)", BLOCKS, merged_mean),
    FORMULA("stat.merge_M2", "Sum of squares of two blocks", "M2_a + M2_b + d^2 n_a n_b / n", "", "", "Chan, Golub, LeVeque 1979 (from memory)", BLOCKS, merged_m2),
    FORMULA("slope.ols", "Slope by least squares", "S_xy / S_xx", "", SLOPE_RULE, STRD, XY, ols),
    FORMULA("slope.ols", "Slope by least squares", "S_xy / S_xx", "kPa/h", SLOPE_RULE, STRD, TP, ols),
    FORMULA("slope.ols_intercept", "Intercept by least squares", "mean y - slope mean x", "", SLOPE_RULE, STRD, XY, ols_intercept),
    FORMULA("slope.theil_sen", "Robust slope", "median of (y_j - y_i) / (x_j - x_i)", "", ROBUST, "Theil 1950, Sen 1968 (from memory)", XY, theil_sen),
    FORMULA("slope.theil_sen_intercept", "Robust intercept", "median of y_i - slope x_i", "", ROBUST, "Theil 1950, Sen 1968 (from memory)", XY, theil_sen_intercept),
    FORMULA("slope.theil_sen_low", "Lower bound of the robust slope, 95 %", "the pair slope of rank (N - 1.96 sigma) / 2", "", INDEPENDENT, "Sen 1968 (from memory; as SciPy's theilslopes)", XY, theil_sen_low),
    FORMULA("slope.theil_sen_high", "Upper bound of the robust slope, 95 %", "the pair slope of rank (N + 1.96 sigma) / 2 + 1", "", INDEPENDENT, "Sen 1968 (from memory; as SciPy's theilslopes)", XY, theil_sen_high),
    FORMULA("slope.repeated_median", "Robust slope, repeated medians", "median over i of the median over j of pair slopes", "", ROBUST, "Siegel 1982 (from memory)", XY, repeated_median),
};
/* clang-format on */

const struct formula_group FORMULA_STATISTICS = FORMULA_ROWS(ROWS);
