/* SPDX-License-Identifier: Apache-2.0
 *
 * unit_doubt.c - weighs what the registers of one surface unit may hold, by Bayes' rule.
 *
 * The likeliest mistake is one setting for the whole unit, so hypotheses are: all as configured; a
 * unit for all pressures and one for all temperatures; one channel alone. The weights before
 * looking are low for everything but "as configured", so that only what physics rules out is
 * doubted: 1:1000 against it. Weights are common practice, no source.
 */
#include "unit_physics.h"

#include <math.h>
#include <string.h>

#define DOUBTED 1000.0 /* odds of all others together against as configured */
#define LEADS 50.0     /* the likeliest against the next of another effect */
#define FITS_TOO                                                                                   \
    1e-4 /* a change whose likelihood is at least this share of the best fits as well */
#define SAME_EFFECT 0.03 /* bar and kgf/cm2: no physics tells 2 % */
/* Windows are at most some 250 K or 10 of ln(kPa) wide: a likelihood below this is beyond the soft
 * edges, so nothing fits. */
#define WIDEST (-5.6)
#define TOO_BAD (-12.5)

#define PEAK 3.0        /* no density of a channel is above e^3 */
#define NEGLIGIBLE 25.0 /* e^-25 of the likeliest counts for nothing */

/* Before looking, against 1 of as configured. */
static const double WEIGHT[UNIT_CHANGES] = {
    [UNIT_AS_CONFIGURED] = 1.0,       [UNIT_HOLDS_KPA] = 0.02,
    [UNIT_HOLDS_PSI] = 0.02,          [UNIT_HOLDS_BAR] = 0.01,
    [UNIT_HOLDS_MPA] = 0.01,          [UNIT_HOLDS_KGF_CM2] = 0.002,
    [UNIT_PSI_TWICE] = 0.003,         [UNIT_PSI_TWICE_DOWN] = 0.001,
    [UNIT_MPA_TWICE] = 0.003,         [UNIT_PRESSURE_TENFOLD] = 0.001,
    [UNIT_PRESSURE_TENTH] = 0.001,    [UNIT_HOLDS_DEGC] = 0.02,
    [UNIT_HOLDS_DEGF] = 0.02,         [UNIT_HOLDS_K] = 0.0001,
    [UNIT_DEGF_TWICE] = 0.02,         [UNIT_TEMPERATURE_TENFOLD] = 0.003,
    [UNIT_TEMPERATURE_TENTH] = 0.003, [UNIT_HOLDS_G] = 0.01,
    [UNIT_HOLDS_M_S2] = 0.01,
};
#define ONE_CHANNEL_ALONE 0.2 /* times the weight of the same change of the whole unit */
#define ONE_SYSTEM 30.0 /* psi goes with degF, and metric with degC: one setting of the unit */

struct line {
    bool makes_sense;
    double ratio, offset;
};
struct weighing {
    const struct unit_channel *channels;
    size_t n;
    const struct unit_well *well;
    struct line line[UNIT_CHANNELS_MAX][UNIT_CHANGES];
    double share[UNIT_CHANNELS_MAX][UNIT_CHANGES]; /* sum of weight x likelihood, each change */
    double likeliest; /* ln of the largest likelihood of all hypotheses */
    double total;
};

static bool is_of(uint8_t change, enum quantity kind)
{
    static const uint8_t FIRST[] = {UNIT_HOLDS_KPA, UNIT_HOLDS_DEGC, UNIT_HOLDS_G, UNIT_CHANGES};
    unsigned group = kind == QUANTITY_PRESSURE       ? 0
                     : kind == QUANTITY_TEMPERATURE  ? 1
                     : kind == QUANTITY_ACCELERATION ? 2
                                                     : 3;
    return group < 3 && change >= FIRST[group] && change < FIRST[group + 1];
}

static enum quantity kind_of(const struct unit_channel *channel)
{
    return unit_get(channel->unit)->kind;
}

static void draw_lines(struct weighing *weighing)
{
    for (size_t i = 0; i < weighing->n; i++) {
        size_t same = 0; /* one unit, one set of lines */
        while (weighing->channels[same].unit != weighing->channels[i].unit)
            same++;
        if (same < i) {
            memcpy(weighing->line[i], weighing->line[same], sizeof weighing->line[i]);
            continue;
        }
        for (uint8_t c = 0; c < UNIT_CHANGES; c++) {
            struct line *line = &weighing->line[i][c];
            line->makes_sense =
                unit_change_line(c, weighing->channels[i].unit, &line->ratio, &line->offset);
        }
    }
}

static double undo(const struct weighing *weighing, size_t i, uint8_t change)
{
    const struct line *line = &weighing->line[i][change];
    return (weighing->channels[i].value - line->offset) / line->ratio;
}

/** Values if channel i holds change[i]; false where one of them is no number. */
static bool undo_all(const struct weighing *weighing, const uint8_t *change, double *value)
{
    bool all = true;
    for (size_t i = 0; i < weighing->n; i++) {
        value[i] = undo(weighing, i, change[i]);
        all = all && isfinite(value[i]);
    }
    return all;
}

/** Adds a hypothesis: what every channel holds, and its weight before looking. */
static void weigh(struct weighing *weighing, const uint8_t *change, double weight)
{
    double value[UNIT_CHANNELS_MAX], likelihood = 0.0;
    if (!undo_all(weighing, change, value))
        return;
    for (size_t i = 0; i < weighing->n; i++) {
        likelihood += unit_likelihood(weighing->channels, value, weighing->n, i, weighing->well);
        double most = likelihood + PEAK * (double)(weighing->n - i - 1);
        if (most < weighing->likeliest - NEGLIGIBLE)
            return;
    }
    if (likelihood > weighing->likeliest)
        weighing->likeliest = likelihood;
    double share = weight * exp(likelihood);
    weighing->total += share;
    for (size_t i = 0; i < weighing->n; i++)
        weighing->share[i][change[i]] += share;
}

/** A change fits the unit where it makes sense for at least one channel; channels of which it is
 * the map's own unit stay as configured. */
static bool set_all(const struct weighing *weighing, uint8_t change, enum quantity kind,
                    uint8_t *into)
{
    bool any = change == UNIT_AS_CONFIGURED;
    for (size_t i = 0; i < weighing->n; i++) {
        if (change == UNIT_AS_CONFIGURED || kind_of(&weighing->channels[i]) != kind ||
            !weighing->line[i][change].makes_sense)
            continue;
        into[i] = change;
        any = true;
    }
    return any;
}

static bool is_one_system(uint8_t pressure, uint8_t temperature)
{
    bool us = pressure == UNIT_HOLDS_PSI && temperature == UNIT_HOLDS_DEGF;
    bool metric = pressure != UNIT_AS_CONFIGURED && pressure != UNIT_HOLDS_PSI &&
                  temperature == UNIT_HOLDS_DEGC;
    return us || metric;
}

static void weigh_settings(struct weighing *weighing)
{
    for (uint8_t p = 0; p < UNIT_HOLDS_DEGC; p++) {
        for (uint8_t t = 0; t < UNIT_HOLDS_G; t++) {
            uint8_t change[UNIT_CHANNELS_MAX] = {0};
            if (t != UNIT_AS_CONFIGURED && !is_of(t, QUANTITY_TEMPERATURE))
                continue;
            if (!set_all(weighing, p, QUANTITY_PRESSURE, change) ||
                !set_all(weighing, t, QUANTITY_TEMPERATURE, change))
                continue;
            weigh(weighing, change,
                  WEIGHT[p] * WEIGHT[t] * (is_one_system(p, t) ? ONE_SYSTEM : 1.0));
        }
    }
}

static void weigh_single(struct weighing *weighing)
{
    for (size_t i = 0; i < weighing->n; i++) {
        for (uint8_t c = UNIT_AS_CONFIGURED + 1; c < UNIT_CHANGES; c++) {
            uint8_t change[UNIT_CHANNELS_MAX] = {0};
            change[i] = c;
            if (is_of(c, kind_of(&weighing->channels[i])) && weighing->line[i][c].makes_sense)
                weigh(weighing, change, WEIGHT[c] * ONE_CHANNEL_ALONE);
        }
    }
}

/** Two changes that give nearly the same true value: physics can't tell one from the other. */
static bool is_same_effect(const struct weighing *weighing, size_t i, uint8_t a, uint8_t b)
{
    double x = undo(weighing, i, a), y = undo(weighing, i, b);
    return fabs(x - y) <= SAME_EFFECT * fmax(fabs(x), fabs(y));
}

static void conclude(const struct weighing *weighing, size_t i, struct unit_finding *found)
{
    const double *share = weighing->share[i];
    uint8_t best = UNIT_AS_CONFIGURED;
    double others = 0.0, rival = 0.0;
    for (uint8_t c = 1; c < UNIT_CHANGES; c++) {
        others += share[c];
        if (share[c] > 0.0 && (best == UNIT_AS_CONFIGURED || share[c] > share[best]))
            best = c;
    }
    for (uint8_t c = 1; c < UNIT_CHANGES; c++)
        if (c != best && share[c] > rival && !is_same_effect(weighing, i, c, best))
            rival = share[c];
    found->change = best;
    found->true_value = undo(weighing, i, best);
    found->odds = share[0] > 0.0 ? share[best] / share[0] : HUGE_VAL;
    if (best == UNIT_AS_CONFIGURED)
        found->odds = 0.0, found->verdict = UNIT_FITS;
    else if (others > DOUBTED * share[0])
        found->verdict = share[best] > LEADS * rival ? UNIT_DIFFERS : UNIT_DIFFERS_SOMEHOW;
    else
        found->verdict = others / WEIGHT[best] > FITS_TOO * share[0] ? UNIT_OPEN : UNIT_FITS;
}

/** As configured fits so well that nothing else could be DOUBTED times as likely. */
static bool is_beyond_doubt(const struct unit_channel *channels, size_t n,
                            const struct unit_well *well)
{
    double value[UNIT_CHANNELS_MAX], room = log(DOUBTED);
    for (size_t i = 0; i < n; i++)
        value[i] = channels[i].value;
    for (size_t i = 0; i < n; i++)
        room +=
            unit_likelihood(channels, value, n, i, well) - unit_likelihood_peak(&channels[i], well);
    return room > 0.0; /* the weights of all others together are below 1 */
}

bool unit_is_doubted(const struct unit_channel *channels, size_t n, const struct unit_well *well,
                     struct unit_finding *found)
{
    size_t few = n < UNIT_CHANNELS_MAX ? n : UNIT_CHANNELS_MAX;
    return !is_beyond_doubt(channels, few, well) && unit_doubt(channels, n, well, found);
}

bool unit_doubt(const struct unit_channel *channels, size_t n, const struct unit_well *well,
                struct unit_finding *found)
{
    struct weighing weighing = {.channels = channels, .well = well, .likeliest = -HUGE_VAL};
    weighing.n = n < UNIT_CHANNELS_MAX ? n : UNIT_CHANNELS_MAX;
    draw_lines(&weighing);
    weigh_settings(&weighing);
    weigh_single(&weighing);
    bool any = false;
    unsigned judged = 0;
    for (size_t i = 0; i < weighing.n; i++)
        judged += unit_is_judged(channels[i].point) ? 1 : 0;
    bool fits_nothing = weighing.likeliest < TOO_BAD + WIDEST * (double)judged;
    for (size_t i = 0; i < n; i++) {
        memset(&found[i], 0, sizeof found[i]);
        found[i].point = channels[i].point;
        found[i].true_value = channels[i].value;
        if (i >= weighing.n || fits_nothing)
            continue;
        conclude(&weighing, i, &found[i]);
        if (!unit_is_judged(channels[i].point))
            found[i].verdict = UNIT_OPEN;
        any = any || found[i].verdict >= UNIT_DIFFERS;
    }
    return any;
}
