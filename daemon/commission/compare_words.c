/* SPDX-License-Identifier: Apache-2.0
 *
 * compare_words.c - a comparison in words: the calculator check, the verdict, and what to look at
 * next, cheapest first (pure).
 */
#include "compare_inside.h"

#include "uphole/commission.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/** A number to the decade of `step`; 1e-6 of it at most, and whole where steps are coarser. */
static void number(double value, double step, char into[static NUMBER_TEXT_MAX])
{
    double shown = step > 0.0 ? pow(10.0, floor(log10(step) + 1e-9)) : 0.0;
    if (shown > 1.0)
        shown = 1.0;
    if (step > 0.0 && shown < 1e-6)
        shown = 1e-6;
    if (number_to_text(value, shown, into) == 0)
        snprintf(into, NUMBER_TEXT_MAX, "-");
}

static void factor(double value, char into[static NUMBER_TEXT_MAX])
{
    snprintf(into, NUMBER_TEXT_MAX, "%.7g", value);
}

/** Of what is worked out from the screen: a digit more than it shows. */
static double fine_step(const struct beside *beside)
{
    return beside->step > 0.0 ? beside->step / 10.0 : beside->point->resolution;
}

static double own_step(const struct beside *beside)
{
    return beside->count > 0.0 ? beside->count : beside->point->resolution;
}

/** "x 6.894757", "/ 1000", "" for a ratio of 1; "+ 32", "- 101.3". */
static void line_in_words(double ratio, double offset, char *into, size_t room)
{
    char text[NUMBER_TEXT_MAX];
    const double inverse = 1.0 / ratio;
    if (fabs(ratio) < 1.0 && fabs(inverse - nearbyint(inverse)) < 1e-9 * fabs(inverse)) {
        factor(inverse, text);
        compare_append(into, room, " / %s", text);
    } else if (fabs(ratio - 1.0) > 1e-9) {
        factor(ratio, text);
        compare_append(into, room, " x %s", text);
    }
    factor(fabs(offset), text);
    if (fabs(offset) > 1e-9)
        compare_append(into, room, " %c %s", offset < 0 ? '-' : '+', text);
}

/** "1790 psi x 6.894757 = 12341.6 kPa" */
static void screen_in_words(const struct beside *beside, char *into, size_t room)
{
    const unit_number own = point_unit(beside->point->number), unit = beside->value->unit;
    char text[NUMBER_TEXT_MAX];
    compare_append(into, room, "%s", beside->value->text);
    const double plain = screen_value_inside(beside->value, beside->point->number, NULL),
                 moved = beside->screen - plain;
    if (strcmp(unit_get(unit)->name, "degF") == 0 && strcmp(unit_get(own)->name, "degC") == 0) {
        into[0] = '\0';
        compare_append(into, room, "(%s - 32) x 5/9", beside->value->text);
    } else if (unit != own) {
        const double offset = unit_convert(0.0, unit, own);
        line_in_words(unit_convert(1.0, unit, own) - offset, offset, into, room);
    }
    if (moved != 0.0)
        compare_append(into, room, " %c %.4g (atmosphere)", moved < 0 ? '-' : '+', fabs(moved));
    if (unit == own && moved == 0.0)
        return;
    number(beside->screen, fine_step(beside), text);
    compare_append(into, room, " = %s %s", text, beside->point->unit);
}

/* ---- the calculator check ---- */

/** Words as read and, where there are two, all four decodings. */
static void registers_in_words(const struct beside *beside, struct compare_result *result)
{
    const struct channel *channel = beside->question->channel;
    uint16_t words[4];
    for (unsigned i = beside->question->n_scans; i-- > 0;) {
        if (!compare_words_at(beside->question->scan[i], channel->table, channel->address,
                              channel->n_words, words))
            continue;
        SAY(result->working,
            ". Register%s %u, counted from 0:", channel->n_words > 1 ? "s from" : "",
            channel->address);
        for (unsigned w = 0; w < channel->n_words; w++)
            SAY(result->working, " 0x%04X", words[w]);
        char all[200];
        if (channel->n_words == 2) {
            decodings_to_text(words, all, sizeof all);
            SAY(result->working, ": %s", all);
        }
        return;
    }
}

/** "24228.2 kPa x 0.1450377 = 3514.0 kPa, as Uphole shows" */
static void cause_in_numbers(const struct beside *beside, const struct other *other,
                             struct compare_result *result)
{
    char text[NUMBER_TEXT_MAX];
    number(beside->screen, fine_step(beside), text);
    SAY(result->working, ". %s %s", text, beside->point->unit);
    line_in_words(other->ratio, other->offset, result->working, sizeof result->working);
    number(beside->screen * other->ratio + other->offset,
           fine_step(beside) * fmin(1.0, fabs(other->ratio)), text);
    SAY(result->working, " = %s %s, %sas Uphole shows", text, beside->point->unit,
        other->slack > 0.0 ? "about " : "");
    if (other->slack > 0.0)
        SAY(result->working, " (the atmosphere may be %.0f kPa more or less)", other->slack);
}

/** Differences of degC are K. */
static const char *unit_of_difference(const struct beside *beside)
{
    return strcmp(beside->point->unit, "degC") == 0 ? "K" : beside->point->unit;
}

static void same_in_numbers(const struct beside *beside, struct compare_result *result)
{
    char apart[NUMBER_TEXT_MAX], most[NUMBER_TEXT_MAX];
    number(fabs(result->difference), fine_step(beside), apart);
    number(result->tolerance, fine_step(beside), most);
    SAY(result->working, ": %s %s apart; digits and movement explain up to %s", apart,
        unit_of_difference(beside), most);
}

/** `other`: the causes, likeliest first, or NULL. */
static void working_in_words(const struct beside *beside, const struct other *other,
                             struct compare_result *result)
{
    char text[NUMBER_TEXT_MAX];
    screen_in_words(beside, result->working, sizeof result->working);
    number(result->uphole, own_step(beside), text);
    if (isfinite(result->uphole))
        SAY(result->working, "; Uphole shows %s %s", text, beside->point->unit);
    else
        SAY(result->working, "; Uphole reads no value");
    if (result->verdict == COMPARE_SAME || result->verdict == COMPARE_SAME_OR) {
        same_in_numbers(beside, result);
        return;
    }
    if (isfinite(result->ratio) && result->ratio > 0.0)
        SAY(result->working, ": %.4g times", result->ratio);
    if (other != NULL && other->kind <= COMPARE_BY_REFERENCE)
        cause_in_numbers(beside, other, result);
    for (unsigned i = 0; other != NULL && i < result->n_causes; i++)
        if (other[i].kind == COMPARE_BY_ORDER) {
            registers_in_words(beside, result);
            break;
        }
}

/* ---- what to look at ---- */

static void check(struct compare_result *result, const char *sentence)
{
    if (result->n_checks < COMPARE_CHECKS_MAX)
        snprintf(result->check[result->n_checks++], sizeof result->check[0], "%s", sentence);
}

static const char *const CHECK_OF[][2] = {
    [COMPARE_BY_UNIT] = {"Look at the unit that the screen shows behind the number once more.",
                         "Look up the surface unit's setting of units; other pressures or "
                         "temperatures will be off by the same factor."},
    [COMPARE_BY_TWICE] = {"Look at the unit that the screen shows behind the number once more.",
                          "See whether something between the gauge and these registers converts as "
                          "well: the surface unit, and the drive if it relays."},
    [COMPARE_BY_TEN] = {"Count the digits on the screen, and where its point stands.",
                        "Compare the map's `scale` with the document's line for this register."},
    [COMPARE_BY_REFERENCE] =
        {"See whether the screen says gauge or absolute, as in psig or psia.",
         "Ask the surface unit's document which it serves, and correct `reference` in the map."},
    [COMPARE_BY_ORDER] =
        {"Compare a second channel of the same type: all will be read wrongly alike.",
         "Correct the map, and ask `uphole read` for all four orders side by side."},
    [COMPARE_BY_NEIGHBOUR] =
        {"Compare the next channel: if addresses are off by one, its value is a register away too.",
         "Compare the map's `numbering` with the document: does it count from 0, from 1, or as "
         "4xxxx?"},
    [COMPARE_BY_CHANNEL] = {"Read the name of the row on the screen once more.",
                            "Compare the address of both channels with the document."},
    [COMPARE_BY_TIME] = {"Watch the screen for a minute: does its number move when Uphole's does?",
                         "Compare again, and press Enter while you look at the screen."},
};

static void checks_of_difference(struct compare_result *into)
{
    check(into, "Read the screen again: the row, the number, the unit behind it. Then compare "
                "again while the value is steady.");
    if (!isfinite(into->uphole))
        check(into, "Compare the address of this channel with the document; `uphole read` shows "
                    "its words.");
    else
        check(into, "See whether both numbers move together; if they don't, compare the address "
                    "with the document.");
    check(into, "Compare the other channels first: a fault of the whole map shows in all of them.");
}

/* ---- the verdict ---- */

static void names_of_causes(struct compare_result *result)
{
    for (unsigned i = 0; i < result->n_causes; i++)
        SAY(result->sentence, "%s%s",
            i == 0                      ? ""
            : i + 1 == result->n_causes ? "; or "
                                        : "; ",
            result->cause[i].name);
}

static void shares_of_causes(struct compare_result *result)
{
    for (unsigned i = 0; i < result->n_causes; i++)
        SAY(result->sentence, "%s%s (%u %%)",
            i == 0                      ? ""
            : i + 1 == result->n_causes ? "; or "
                                        : "; ",
            result->cause[i].name, result->cause[i].percent);
}

static void same_in_words(const struct beside *beside, struct compare_result *result)
{
    SAY(result->sentence, "Same.");
    if (result->verdict == COMPARE_SAME)
        return;
    if (fabs(beside->screen) <= beside->step && beside->point->kind != QUANTITY_TEMPERATURE) {
        SAY(result->sentence,
            " But so small a number is alike in every unit: compare again when it is larger.");
        return;
    }
    SAY(result->sentence, " But these digits would look the same if the registers held ");
    names_of_causes(result);
    SAY(result->sentence, ": more digits%s tell.",
        beside->point->kind == QUANTITY_PRESSURE ? ", or a compare at another pressure," : "");
}

static void marker_in_words(const struct beside *beside, struct compare_result *result)
{
    SAY(result->sentence,
        "No measurement: %s is what surface units send for a sensor that isn't fitted%s.",
        beside->value->is_blank ? "Uphole's number" : beside->value->text,
        isfinite(result->uphole) ? ", and Uphole takes it for a value"
                                 : "; Uphole takes it for that too");
    if (!isfinite(result->uphole))
        return;
    check(result, "See in the well's documents whether this sensor was ordered and fitted.");
    check(result, "State `fitted: {...: no}` for the channel, or add the raw words that `uphole "
                  "read` shows to `not_fitted` in the map.");
}

static void no_value_in_words(const struct beside *beside, struct compare_result *result)
{
    const struct quality_row *row = quality_find(beside->question->quality);
    if (beside->n_around == 0)
        SAY(result->sentence, "Nothing to compare: no scan around this instant holds the channel");
    else
        SAY(result->sentence, "Nothing to compare: Uphole has no value");
    if (row != NULL && quality_class_of(row->code) == QUALITY_CLASS_BAD)
        SAY(result->sentence, " (%s: %s)", row->name, row->meaning);
    SAY(result->sentence, ".");
    check(result, "Ask `uphole status` why, and compare again when there is a value.");
}

static void causes_in_words(const struct other *others, struct compare_result *result)
{
    if (result->verdict == COMPARE_CAUSES) {
        SAY(result->sentence, "Different, and more than one thing would explain it: ");
        shares_of_causes(result);
        SAY(result->sentence, ".");
    } else {
        SAY(result->sentence, "Different%s. %s",
            result->cause[0].percent >= COMPARE_SURE_PERCENT ? "" : ", and this is likely, no more",
            result->cause[0].sentence);
    }
    check(result, CHECK_OF[others[0].kind][0]);
    check(result, CHECK_OF[others[0].kind][1]);
    if (result->n_causes > 1 && others[1].kind != others[0].kind)
        check(result, CHECK_OF[others[1].kind][0]);
}

static void difference_in_words(const struct beside *beside, struct compare_result *result)
{
    if (beside->value->is_blank)
        SAY(result->sentence, "Different: the screen shows no value where Uphole shows one.");
    else if (!isfinite(result->uphole))
        SAY(result->sentence, "Different: the screen shows a value where Uphole reads none (not "
                              "fitted, or no number).");
    else
        SAY(result->sentence, "Different, and the cause is not recognised.");
    if (result->n_causes > 0) {
        SAY(result->sentence, " By chance it would fit, too: ");
        names_of_causes(result);
        SAY(result->sentence, ".");
    }
    checks_of_difference(result);
}

void compare_in_words(const struct beside *beside, const struct other *others,
                      struct compare_result *result)
{
    const bool is_told_by_cause =
        result->verdict == COMPARE_CAUSE || result->verdict == COMPARE_CAUSES;
    if (result->verdict != COMPARE_NO_VALUE && result->verdict != COMPARE_NOT_FITTED &&
        !beside->value->is_blank)
        working_in_words(beside, is_told_by_cause ? &others[0] : NULL, result);
    if (result->verdict == COMPARE_SAME || result->verdict == COMPARE_SAME_OR)
        same_in_words(beside, result);
    else if (is_told_by_cause)
        causes_in_words(others, result);
    else if (result->verdict == COMPARE_MARKER)
        marker_in_words(beside, result);
    else if (result->verdict == COMPARE_NOT_FITTED)
        SAY(result->sentence, "Same: the screen shows no value, and the registers hold the map's "
                              "sign for a sensor that isn't fitted.");
    else if (result->verdict == COMPARE_NO_VALUE)
        no_value_in_words(beside, result);
    else
        difference_in_words(beside, result);
}
