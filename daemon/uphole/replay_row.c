/* SPDX-License-Identifier: Apache-2.0
 *
 * replay_row.c - see replay_row.h. Numbers are compared as numbers, all else as text.
 *
 * A reference that the other side calls unknown is no difference: a message that was sent under
 * another configuration than its rows' does not know it, and that is the envelope's.
 */
#include "replay_row.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define AGE_STEP_S 0.1
#define A_HAIR 1e-9 /* of a step: what subtracting two decimal numbers may leave */

enum replay_read replay_read_line(const char *line, size_t n, struct replay_message *out)
{
    struct peek whole;
    char schema[32], run[20];
    *out = (struct replay_message){0};
    const char *brace = memchr(line, '{', n);
    if (brace == NULL || (brace > line && brace[-1] != ' '))
        return REPLAY_OTHER;
    if (!peek_whole(brace, n - (size_t)(brace - line), &whole))
        return memmem(line, n, "\"uphole/record/1\"", 17) == NULL ? REPLAY_OTHER : REPLAY_BAD;
    if (!peek_text(peek_member(whole, "schema"), schema, sizeof schema) ||
        strcmp(schema, "uphole/record/1") != 0)
        return REPLAY_OTHER;
    out->plan = peek_member(whole, "plan");
    out->measure_version = peek_member(whole, "measure_version");
    out->sets = peek_member(whole, "sets");
    out->rows = peek_member(whole, "rows");
    if (!peek_text(peek_member(whole, "run"), run, sizeof run) || strlen(run) != 16 ||
        strspn(run, "0123456789abcdef") != 16 ||
        !peek_text(peek_member(whole, "well"), out->well, sizeof out->well) || out->sets.n == 0 ||
        out->rows.n == 0)
        return REPLAY_BAD;
    out->run = strtoull(run, NULL, 16);
    return REPLAY_RECORD;
}

/** What is compared, side by side, with what was found so far. */
struct both {
    enum replay_verdict verdict;
    struct replay_difference *first;
};

static void show(struct peek value, char into[static 48])
{
    snprintf(into, 48, "%.*s", (int)(value.n < 47 ? value.n : 47),
             value.n == 0 ? "nothing" : value.at);
    if (value.n == 0)
        snprintf(into, 48, "nothing");
}

static void differs(struct both *both, enum replay_verdict verdict, const char *what,
                    struct peek there, struct peek here)
{
    if (verdict > both->verdict) { /* a step is told only where nothing worse is */
        snprintf(both->first->what, sizeof both->first->what, "%s", what);
        show(there, both->first->there);
        show(here, both->first->here);
    }
    both->verdict = verdict > both->verdict ? verdict : both->verdict;
}

static void compare_text(struct both *both, const char *what, struct peek there, struct peek here)
{
    if (!peek_equal(there, here))
        differs(both, REPLAY_DIFFERS, what, there, here);
}

static void compare_number(struct both *both, const char *what, struct peek there, struct peek here,
                           double step)
{
    double x, y;
    if (peek_equal(there, here))
        return;
    if (!peek_number(there, &x) || !peek_number(here, &y))
        differs(both, REPLAY_DIFFERS, what, there, here);
    else if (x != y) /* 1.0 and 1 are the same */
        differs(both, fabs(x - y) <= step * (1 + A_HAIR) ? REPLAY_WITHIN_STEP : REPLAY_DIFFERS,
                what, there, here);
}

struct side {
    struct peek points, units, references, values, qualities, ages, worst;
    struct peek point, unit, reference, value, quality, age, input; /* of the present reading */
};

static bool take_side(struct side *side, const struct replay_message *message, struct peek row,
                      const char *source)
{
    const struct peek set = peek_member(message->sets, source);
    *side = (struct side){.points = peek_member(set, "points"),
                          .units = peek_member(set, "units"),
                          .references = peek_member(set, "references"),
                          .values = peek_member(row, "values"),
                          .qualities = peek_member(row, "qualities"),
                          .ages = peek_member(row, "age_s"),
                          .worst = peek_member(row, "worst_inputs")};
    return side->points.n != 0 && side->values.n != 0;
}

static void next_reading(struct side *side)
{
    side->point = peek_next(side->points, side->point);
    side->unit = peek_next(side->units, side->unit);
    side->reference = peek_next(side->references, side->reference);
    side->value = peek_next(side->values, side->value);
    side->quality = peek_next(side->qualities, side->quality);
    side->age = peek_next(side->ages, side->age);
    side->input = peek_next(side->worst, side->input);
}

static void compare_reading(struct both *both, const struct side *there, const struct side *here,
                            double step)
{
    char point[40] = "", what[64];
    double number;
    (void)peek_text(here->point, point, sizeof point);
    snprintf(what, sizeof what, "unit of %.48s", point);
    if (!peek_equal(there->unit, here->unit) && both->verdict < REPLAY_DIFFERS)
        both->first->units = true;
    compare_text(both, what, there->unit, here->unit);
    if (!peek_equal(there->reference, (struct peek){.at = "\"unknown\"", .n = 9})) {
        snprintf(what, sizeof what, "reference of %.48s", point);
        compare_text(both, what, there->reference, here->reference);
    }
    snprintf(what, sizeof what, "quality of %.48s", point);
    if (!peek_number(there->quality, &number))
        differs(both, REPLAY_DIFFERS, what, there->quality, here->quality);
    compare_text(both, what, there->quality, here->quality);
    compare_number(both, point, there->value, here->value, step);
    snprintf(what, sizeof what, "age of %.48s", point);
    compare_number(both, what, there->age, here->age, AGE_STEP_S);
    snprintf(what, sizeof what, "worst input of %.40s", point);
    compare_text(both, what, there->input, here->input);
}

static void compare_readings(struct both *both, struct side *there, struct side *here,
                             const struct unit_choice *units, const struct record *record)
{
    for (uint16_t i = 0; i <= record->n && both->verdict < REPLAY_DIFFERS; i++) {
        next_reading(there);
        next_reading(here);
        compare_text(both, "points", there->point, here->point);
        if (i == record->n || here->point.n == 0 || both->verdict == REPLAY_DIFFERS)
            break; /* behind the last: both have ended, or that is the difference */
        double step = 0;
        (void)unit_choice_of(units, record->reading[i].point, &step);
        compare_reading(both, there, here, step);
    }
}

enum replay_verdict replay_compare_row(const struct replay_message *there, struct peek there_row,
                                       const struct replay_message *here, struct peek here_row,
                                       const struct unit_choice *units, const struct record *record,
                                       struct replay_difference *first)
{
    static const char *const OF_ROW[] = {"source", "time", "clock", "outcome", "heard"};
    struct both both = {.first = first};
    struct side a, b;
    *first = (struct replay_difference){0};
    compare_text(&both, "plan", there->plan, here->plan);
    compare_text(&both, "measure_version", there->measure_version, here->measure_version);
    for (size_t i = 0; i < sizeof OF_ROW / sizeof *OF_ROW; i++)
        compare_text(&both, OF_ROW[i], peek_member(there_row, OF_ROW[i]),
                     peek_member(here_row, OF_ROW[i]));
    if (both.verdict == REPLAY_DIFFERS)
        return both.verdict;
    if (!take_side(&a, there, there_row, source_name(record->source)) ||
        !take_side(&b, here, here_row, source_name(record->source)))
        differs(&both, REPLAY_DIFFERS, "columns", a.points, b.points);
    else
        compare_readings(&both, &a, &b, units, record);
    return both.verdict;
}
