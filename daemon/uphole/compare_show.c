/* SPDX-License-Identifier: Apache-2.0
 *
 * compare_show.c - what came of a comparison: a channel in sentences, all of them as a table, or as
 * one JSON object.
 */
#include "comparing.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static bool is_same(const struct pair *pair)
{
    const uint8_t verdict = pair->result.verdict;
    return verdict == COMPARE_SAME || verdict == COMPARE_SAME_OR || verdict == COMPARE_NOT_FITTED;
}

void comparing_verdict(const struct pair *pair, char *into, size_t room)
{
    const struct compare_result *result = &pair->result;
    const char *confirmed = pair->is_confirmed ? ", confirmed" : "";
    if (pair->state != PAIR_DONE)
        snprintf(into, room, "%s", pair->state == PAIR_SKIPPED ? "skipped" : "not compared");
    else if (result->verdict == COMPARE_SAME)
        snprintf(into, room, "same%s", confirmed);
    else if (result->verdict == COMPARE_SAME_OR)
        snprintf(into, room, "same, as far as these digits tell%s", confirmed);
    else if (result->verdict == COMPARE_CAUSE)
        snprintf(into, room, "differs: %s", result->cause[0].name);
    else if (result->verdict == COMPARE_CAUSES)
        snprintf(into, room, "differs: %s, or otherwise", result->cause[0].name);
    else if (result->verdict == COMPARE_DIFFERENT)
        snprintf(into, room, "differs, cause not recognised");
    else if (result->verdict == COMPARE_MARKER)
        snprintf(into, room, "no measurement: the value for \"not fitted\"");
    else if (result->verdict == COMPARE_NOT_FITTED)
        snprintf(into, room, "same: not fitted");
    else
        snprintf(into, room, "Uphole has no value");
}

/** Breaks at blanks, so that a terminal doesn't within a word; each line begins with two blanks. */
static void put_sentence(FILE *out, const char *first, const char *text)
{
    const size_t width = (size_t)command_width();
    const size_t most = width > 40 ? width - 6 : 34;
    const char *indent = first;
    while (*text != '\0') {
        size_t n = strlen(text);
        if (n > most) {
            n = most;
            while (n > 0 && text[n] != ' ')
                n--;
            if (n == 0)
                n = most;
        }
        fprintf(out, "%s%.*s\n", indent, (int)n, text);
        text += n + (text[n] == ' ');
        indent = "     ";
    }
}

void comparing_show_pair(FILE *out, const struct pair *pair)
{
    const struct compare_result *result = &pair->result;
    put_sentence(out, "  ", result->sentence);
    if (result->working[0] != '\0')
        put_sentence(out, "  ", result->working);
    for (unsigned i = 0; i < result->n_checks; i++) {
        char number[16];
        snprintf(number, sizeof number, "  %u. ", i + 1);
        put_sentence(out, number, result->check[i]);
    }
}

static void number_or_dash(double value, double resolution, const char *unit, char *into,
                           size_t room)
{
    char number[NUMBER_TEXT_MAX];
    if (number_to_text(value, resolution, number) == 0)
        snprintf(into, room, "-");
    else
        snprintf(into, room, "%s %s", number, unit);
}

static void show_row(FILE *out, const struct pair *pair)
{
    char uphole[NUMBER_TEXT_MAX + 16] = "-", difference[NUMBER_TEXT_MAX + 16] = "-", verdict[160];
    const struct point *point = point_get(pair->point);
    if (pair->state == PAIR_DONE) {
        const char *unit = strcmp(point->unit, "degC") == 0 ? "K" : point->unit;
        number_or_dash(pair->result.uphole, point->resolution, point->unit, uphole, sizeof uphole);
        number_or_dash(pair->result.difference, point->resolution, unit, difference,
                       sizeof difference);
    }
    comparing_verdict(pair, verdict, sizeof verdict);
    fprintf(out, "%-27s %-18s %14s %12s  %s\n", point->id,
            pair->state == PAIR_DONE ? pair->value.text : "-", uphole, difference, verdict);
}

static unsigned count(const struct comparing *comparing, uint8_t state)
{
    unsigned n = 0;
    for (unsigned i = 0; i < comparing->n; i++)
        n += comparing->pair[i].state == state;
    return n;
}

static void show_rest(FILE *out, const struct comparing *comparing)
{
    if (!comparing->is_stopped || count(comparing, PAIR_OPEN) == 0)
        return;
    fprintf(out, "Stopped before the end. To go on: uphole compare %s", comparing->link->well->id);
    for (unsigned i = 0; i < comparing->n; i++)
        if (comparing->pair[i].state == PAIR_OPEN)
            fprintf(out, " %s", point_get(comparing->pair[i].point)->id);
    fputs("\n", out);
}

void comparing_show(FILE *out, const struct comparing *comparing)
{
    char from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX];
    unsigned same = 0, confirmed = 0;
    for (unsigned i = 0; i < comparing->n; i++) {
        same += comparing->pair[i].state == PAIR_DONE && is_same(&comparing->pair[i]);
        confirmed += comparing->pair[i].is_confirmed;
    }
    fprintf(out, "Well %s beside the surface unit's screen, %s to %s\n\n",
            comparing->link->well->id, stamp_to_short_text(comparing->began_utc_ms, from),
            stamp_to_short_text(comparing->ended_utc_ms, to));
    fprintf(out, "%-27s %-18s %14s %12s  %s\n", "point", "screen", "Uphole", "difference",
            "verdict");
    for (unsigned i = 0; i < comparing->n; i++)
        show_row(out, &comparing->pair[i]);
    const unsigned done = count(comparing, PAIR_DONE);
    fprintf(out, "\n%u compared: %u the same, %u not; %u confirmed; %u skipped.\n", done, same,
            done - same, confirmed, count(comparing, PAIR_SKIPPED));
    show_rest(out, comparing);
    fputs("The screen is believed: this proves the path from it to Uphole, and not the downhole "
          "sensor.\nMonitoring only; not a protection system.\n",
          out);
}

int comparing_code(const struct comparing *comparing)
{
    bool all = count(comparing, PAIR_DONE) > 0;
    for (unsigned i = 0; i < comparing->n; i++)
        all = all && (comparing->pair[i].state == PAIR_SKIPPED ||
                      (comparing->pair[i].state == PAIR_DONE && is_same(&comparing->pair[i])));
    return all ? 0 : 1;
}

/* ---- JSON ---- */

static void put_number(FILE *out, const char *name, double value, double resolution)
{
    char number[NUMBER_TEXT_MAX];
    fprintf(out, ",\"%s\":%s", name,
            number_to_text(value, resolution, number) > 0 ? number : "null");
}

static void put_text(FILE *out, const char *name, const char *value)
{
    fprintf(out, ",\"%s\":", name);
    command_json_text(out, value);
}

static void put_causes(FILE *out, const struct compare_result *result)
{
    fputs(",\"causes\":[", out);
    for (unsigned i = 0; i < result->n_causes; i++) {
        const struct compare_cause *cause = &result->cause[i];
        fprintf(out, "%s{\"kind\":\"%s\",\"percent\":%u", i > 0 ? "," : "",
                compare_kind_name(cause->kind), cause->percent);
        put_number(out, "ratio", cause->ratio, 0);
        put_number(out, "offset", cause->offset, 0);
        put_text(out, "name", cause->name);
        put_text(out, "sentence", cause->sentence);
        fputs("}", out);
    }
    fputs("],\"checks\":[", out);
    for (unsigned i = 0; i < result->n_checks; i++) {
        fputs(i > 0 ? "," : "", out);
        command_json_text(out, result->check[i]);
    }
    fputs("]", out);
}

static void put_screen(FILE *out, const struct screen_value *value)
{
    static const char *const REFERENCES[] = {"", "absolute", "gauge", "unknown"};
    fputs(",\"screen\":{\"text\":", out);
    command_json_text(out, value->text);
    put_number(out, "number", value->number, 0);
    put_number(out, "step", value->is_blank ? (double)NAN : value->step, 0);
    put_text(out, "unit", value->is_blank ? "" : unit_get(value->unit)->name);
    if (value->reference != REFERENCE_NONE)
        put_text(out, "reference", REFERENCES[value->reference]);
    fputs("}", out);
}

static void put_pair(FILE *out, const struct pair *pair)
{
    static const char *const STATES[] = {"open", "compared", "skipped"};
    const struct point *point = point_get(pair->point);
    const struct compare_result *result = &pair->result;
    char instant[STAMP_TEXT_MAX];
    fprintf(out, "{\"point\":\"%s\",\"source\":\"%s\",\"state\":\"%s\"", point->id,
            source_name(pair->source), STATES[pair->state]);
    if (pair->state == PAIR_DONE) {
        put_text(out, "at", stamp_to_text(pair->instant_utc_ms, instant));
        put_screen(out, &pair->value);
        put_text(out, "verdict", compare_verdict_name(result->verdict));
        put_text(out, "unit", point->unit);
        put_number(out, "screen_value", result->screen, 0);
        put_number(out, "uphole_value", result->uphole, 0);
        put_number(out, "difference", result->difference, 0);
        put_number(out, "tolerance", result->tolerance, 0);
        put_number(out, "ratio", result->ratio, 0);
        put_text(out, "sentence", result->sentence);
        put_text(out, "working", result->working);
        put_causes(out, result);
        fprintf(out, ",\"can_confirm\":%s,\"confirmed\":%s", result->can_confirm ? "true" : "false",
                pair->is_confirmed ? "true" : "false");
        if (pair->said[0] != '\0')
            put_text(out, "confirmation", pair->said);
    }
    fputs("}", out);
}

void comparing_show_json(FILE *out, const struct comparing *comparing)
{
    char from[STAMP_TEXT_MAX], to[STAMP_TEXT_MAX];
    const struct plan *plan = comparing->link->plan;
    fprintf(out,
            "{\"site\":\"%s\",\"box\":\"%s\",\"well\":\"%s\",\"plan\":\"%.8s\",\"began\":\"%s\","
            "\"ended\":\"%s\",\"stopped\":%s,\"channels\":[",
            plan->site, plan->box, comparing->link->well->id, plan->digest,
            stamp_to_text(comparing->began_utc_ms, from),
            stamp_to_text(comparing->ended_utc_ms, to), comparing->is_stopped ? "true" : "false");
    for (unsigned i = 0; i < comparing->n; i++) {
        fputs(i > 0 ? ",\n" : "\n", out);
        put_pair(out, &comparing->pair[i]);
    }
    fputs("\n]}\n", out);
}
