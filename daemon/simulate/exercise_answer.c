/* SPDX-License-Identifier: Apache-2.0
 *
 * exercise_answer.c - an answer as a person types it, and the judge (pure).
 *
 * Both the right answer and the person's are taken apart by the same function: a form and its
 * details. Right is the same form and the same details; a form alone is not enough.
 */
#include "exercise.h"

#include <ctype.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define TOKENS_MAX 12
#define PERIOD_TOLERANCE_S 0.9 /* periods are 2 s apart; a loaded machine is not punctual */

struct tokens {
    unsigned n;
    char word[TOKENS_MAX][EXERCISE_DETAIL_MAX];
};

/* The longer of two forms that begin alike stands first. */
/* clang-format off */
static const struct form {
    const char *words[3];
    const char *shown, *meaning;
} FORM[FORMS] = {
    [FORM_UNIT_ID] = {{"unit", "id"}, "unit id N", "the unit answers to another id than the paper says"},
    [FORM_SETTINGS] = {{"settings"}, "settings SPEED FRAME", "the line's, such as settings 1200 8O1"},
    [FORM_OFF_BY_ONE] = {{"off", "by", "one"}, "off by one higher|lower", "where the unit keeps each channel, seen from the map"},
    [FORM_WORD_ORDER] = {{"word", "order"}, "word order high|low word first[, bytes swapped]", "of the unit's float32"},
    [FORM_NOT_FITTED] = {{"not", "fitted"}, "not fitted POINT", "what is read of this point is no measurement"},
    [FORM_UNIT] = {{"unit"}, "unit pressure|temperature UNIT", "the unit in which the registers really are"},
    [FORM_ANOTHER_MASTER] = {{"another", "master"}, "another master every N s", "somebody else asks on the line"},
    [FORM_SWAPPED] = {{"swapped", "pair"}, "swapped pair", "the two wires"},
    [FORM_NO_BIAS] = {{"missing", "bias"}, "missing bias", "or termination: the pair rests at no level"},
    [FORM_CONVERTER] = {{"converter"}, "converter exception 0A|0B", "a converter answers in the unit's place"},
};
/* clang-format on */

const char *exercise_form_at(unsigned index, const char **meaning)
{
    if (index >= FORMS)
        return NULL;
    *meaning = FORM[index].meaning;
    return FORM[index].shown;
}

/* ---- words ---- */

static bool is_filler(const char *word)
{
    static const char *const FILLERS[] = {"every", "baud", "exception", "is", "the", "s"};
    for (size_t i = 0; i < sizeof FILLERS / sizeof FILLERS[0]; i++)
        if (strcmp(word, FILLERS[i]) == 0)
            return true;
    return false;
}

static bool split(const char *text, struct tokens *out)
{
    out->n = 0;
    if (strlen(text) > EXERCISE_ANSWER_MAX)
        return false;
    for (const char *at = text; *at;) {
        const size_t n = strcspn(at, " \t\r\n,;:=");
        if (n > 0) {
            if (out->n == TOKENS_MAX || n >= EXERCISE_DETAIL_MAX)
                return false;
            for (size_t i = 0; i < n; i++)
                out->word[out->n][i] = (char)tolower((unsigned char)at[i]);
            out->word[out->n++][n] = '\0';
        }
        at += n;
        at += *at != '\0';
    }
    return out->n > 0;
}

/* The words behind the form's own, without those that only make it a sentence. */
static unsigned details_of(const struct tokens *tokens, unsigned from, const char *details[2])
{
    unsigned n = 0;
    for (unsigned i = from; i < tokens->n; i++) {
        if (is_filler(tokens->word[i]))
            continue;
        if (n == 2)
            return 3;
        details[n++] = tokens->word[i];
    }
    return n;
}

static bool put(char into[EXERCISE_DETAIL_MAX], const char *text)
{
    snprintf(into, EXERCISE_DETAIL_MAX, "%.*s", EXERCISE_DETAIL_MAX - 1, text);
    return text[0] != '\0';
}

static bool put_number(char into[EXERCISE_DETAIL_MAX], const char *text)
{
    char *end;
    const double number = strtod(text, &end);
    if (end == text || (*end != '\0' && strcmp(end, "s") != 0) || !(number >= 0) || number > 1e6)
        return false;
    snprintf(into, EXERCISE_DETAIL_MAX, "%g", number);
    return true;
}

/* ---- forms ---- */

static bool take_settings(const char *const given[2], struct exercise_answer *out)
{
    const bool speed_first = given[0][0] != '8' || strlen(given[0]) != 3;
    const char *speed = given[speed_first ? 0 : 1], *frame = given[speed_first ? 1 : 0];
    if (strlen(frame) != 3 || frame[0] != '8' || !strchr("neo", frame[1]))
        return false;
    /* One or two stop bits mostly can't be told from outside. */
    out->detail[1][0] = frame[1];
    out->detail[1][1] = '\0';
    return put_number(out->detail[0], speed);
}

static bool take_order(const struct tokens *tokens, struct exercise_answer *out)
{
    bool high = false, low = false, swapped = false;
    for (unsigned i = 2; i < tokens->n; i++) {
        const char *word = tokens->word[i];
        high |= strcmp(word, "high") == 0 || strcmp(word, "high-first") == 0;
        low |= strcmp(word, "low") == 0 || strcmp(word, "low-first") == 0;
        swapped |= strcmp(word, "swapped") == 0;
    }
    return high != low && put(out->detail[0], high ? "high" : "low") &&
           put(out->detail[1], swapped ? "swapped" : "straight");
}

/* A kind, or a point of that kind; and a unit of it under any of its names. */
static bool take_unit(const char *const given[2], struct exercise_answer *out)
{
    const struct point *point = point_get(point_find(given[0], strlen(given[0])));
    const enum quantity kind = point ? point->kind : quantity_from_name(given[0], strlen(given[0]));
    unit_number unit = 0;
    for (unit_number i = 1; unit == 0 && i < unit_count(); i++)
        if (unit_get(i)->kind == kind && strcasecmp(unit_get(i)->name, given[1]) == 0)
            unit = i;
    if (unit == 0)
        unit = unit_find(given[1], strlen(given[1]), kind);
    return kind != QUANTITY_NONE && unit != 0 && put(out->detail[0], quantity_name(kind)) &&
           put(out->detail[1], unit_get(unit)->name);
}

static bool take_exception(const char *text, struct exercise_answer *out)
{
    char *end;
    const unsigned long code = strtoul(text, &end, 16);
    if (*end != '\0' || (code != MODBUS_PATH_UNAVAILABLE && code != MODBUS_TARGET_SILENT))
        return false;
    snprintf(out->detail[0], EXERCISE_DETAIL_MAX, "%02lX", code);
    return true;
}

static bool take_details(const struct tokens *tokens, unsigned from, struct exercise_answer *out)
{
    const char *given[2] = {"", ""};
    const unsigned n = details_of(tokens, from, given);
    switch (out->form) {
    case FORM_UNIT_ID:
    case FORM_ANOTHER_MASTER:
        return n == 1 && put_number(out->detail[0], given[0]);
    case FORM_SETTINGS:
        return n == 2 && take_settings(given, out);
    case FORM_OFF_BY_ONE:
        return n == 1 && (strcmp(given[0], "higher") == 0 || strcmp(given[0], "lower") == 0) &&
               put(out->detail[0], given[0]);
    case FORM_WORD_ORDER:
        return take_order(tokens, out);
    case FORM_UNIT:
        return n == 2 && take_unit(given, out);
    case FORM_NOT_FITTED:
        return n == 1 && point_find(given[0], strlen(given[0])) != 0 &&
               put(out->detail[0], given[0]);
    case FORM_CONVERTER:
        return n == 1 && take_exception(given[0], out);
    default:
        return n == 0;
    }
}

static bool take_answer(const char *text, struct exercise_answer *out)
{
    struct tokens tokens;
    memset(out, 0, sizeof *out);
    if (!split(text, &tokens))
        return false;
    for (unsigned form = 0; form < FORMS; form++) {
        unsigned n = 0;
        while (n < 3 && FORM[form].words[n] && n < tokens.n &&
               strcmp(FORM[form].words[n], tokens.word[n]) == 0)
            n++;
        if (n < 3 && FORM[form].words[n])
            continue;
        out->form = (uint8_t)form;
        return take_details(&tokens, n, out);
    }
    return false;
}

enum up_rc exercise_set_answer(struct exercise *exercise, struct up_error *error,
                               const char *format, ...)
{
    char text[EXERCISE_ANSWER_MAX];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    return take_answer(text, &exercise->answer)
               ? UP_OK
               : UP_FAIL(error, UP_E_RANGE, "'%s' is no form of an answer", text);
}

/* ---- the judge ---- */

static bool is_missing(const struct exercise *exercise, const char *id)
{
    const unsigned point = point_find(id, strlen(id));
    return exercise->cabinet.units[0].not_fitted[point];
}

static bool details_are_right(const struct exercise *exercise, const struct exercise_answer *given)
{
    const struct exercise_answer *right = &exercise->answer;
    if (right->form == FORM_NOT_FITTED) /* each of several that are missing tells the same */
        return is_missing(exercise, given->detail[0]);
    if (right->form == FORM_ANOTHER_MASTER)
        return fabs(strtod(given->detail[0], NULL) - strtod(right->detail[0], NULL)) <=
               PERIOD_TOLERANCE_S;
    return strcmp(given->detail[0], right->detail[0]) == 0 &&
           strcmp(given->detail[1], right->detail[1]) == 0;
}

enum exercise_verdict exercise_judge(const struct exercise *exercise, const char *answer)
{
    struct exercise_answer given;
    if (!take_answer(answer, &given))
        return EXERCISE_NOT_UNDERSTOOD;
    if (given.form != exercise->answer.form)
        return EXERCISE_WRONG;
    return details_are_right(exercise, &given) ? EXERCISE_RIGHT : EXERCISE_KIND_ONLY;
}

void exercise_answer_to_text(const struct exercise_answer *answer, char *into, size_t room)
{
    const char *a = answer->detail[0], *b = answer->detail[1];
    switch (answer->form) {
    case FORM_UNIT_ID:
        snprintf(into, room, "unit id %s", a);
        break;
    case FORM_SETTINGS:
        snprintf(into, room, "settings %s 8%c1", a, toupper((unsigned char)b[0]));
        break;
    case FORM_OFF_BY_ONE:
        snprintf(into, room, "off by one %s", a);
        break;
    case FORM_WORD_ORDER:
        snprintf(into, room, "word order %s word first%s", a,
                 strcmp(b, "swapped") == 0 ? ", bytes swapped" : "");
        break;
    case FORM_NOT_FITTED:
        snprintf(into, room, "not fitted %s", a);
        break;
    case FORM_UNIT:
        snprintf(into, room, "unit %s %s", a, b);
        break;
    case FORM_ANOTHER_MASTER:
        snprintf(into, room, "another master every %s s", a);
        break;
    case FORM_CONVERTER:
        snprintf(into, room, "converter exception %s", a);
        break;
    default:
        snprintf(into, room, "%s", FORM[answer->form < FORMS ? answer->form : 0].shown);
    }
}
