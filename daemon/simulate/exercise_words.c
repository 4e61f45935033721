/* SPDX-License-Identifier: Apache-2.0
 *
 * exercise_words.c - what the person reads: the briefing, the configuration from the office, the
 * surface unit's screen, the verdict. Only the verdict knows what is wrong.
 */
#include "exercise.h"

#include <ctype.h>
#include <math.h>
#include <string.h>

#define WELL "heron-7"

static bool is_serial(const struct exercise *exercise)
{
    return exercise->paper.medium == LINE_MEDIUM_SERIAL;
}

/* ---- before ---- */

static void print_ordered(FILE *out, const struct exercise *exercise)
{
    unsigned n = 0;
    fputs("  Sensors as ordered: ", out);
    for (unsigned point = 1; point < POINT_COUNT; point++)
        if (exercise->is_ordered[point])
            fprintf(out, "%s%s",
                    n == 0       ? ""
                    : n % 5 == 4 ? ",\n    "
                                 : ", ",
                    point_get(point)->id),
                n++;
    fputc('\n', out);
}

static void print_port(FILE *out, const struct exercise *exercise, const char *directory)
{
    const struct line_plan *paper = &exercise->paper;
    if (is_serial(exercise))
        fprintf(out,
                "  Port:  %s/port, a pair to the surface unit; paper: unit id %u at %u baud 8%c%u, "
                "map %s\n",
                directory, exercise->paper_unit_id, paper->baud, paper->parity, paper->stop_bits,
                exercise->map_name);
    else
        fprintf(out,
                "  Port:  %s:%u, a converter with the surface unit behind it; paper: unit id %u, "
                "map %s\n",
                exercise->cabinet.line.host, exercise->cabinet.line.port, exercise->paper_unit_id,
                exercise->map_name);
}

void exercise_print_forms(FILE *out)
{
    const char *meaning;
    for (unsigned i = 0; exercise_form_at(i, &meaning); i++)
        fprintf(out, "    %-50s %s\n", exercise_form_at(i, &meaning), meaning);
}

void exercise_print_briefing(FILE *out, const struct exercise *exercise, const char *directory,
                             const char *maps)
{
    fprintf(out,
            "Exercise %u, seed %llu. Site heron-ridge, well " WELL
            "; all of it invented, nothing here is wired to a pump.\n"
            "On a real site the cautions of docs/safety.md come before the first wire.\n\n"
            "What you are told\n"
            "  A surface unit was put in last week. One thing is not as it should be. You see its "
            "screen, and its\n"
            "  page of communication settings is locked. Whoever is responsible for the drive lets "
            "you read\n"
            "  this gauge, unless another master turns out to be on the line.\n",
            exercise->number, (unsigned long long)exercise->seed);
    print_port(out, exercise, directory);
    fprintf(
        out,
        "  Files: %s/uphole.yaml, made in the office from the paper; its maps beside it, in maps\n"
        "         %s/screen.txt, what the surface unit's screen shows now: look as often as you "
        "like\n",
        directory, directory);
    print_ordered(out, exercise);
    fprintf(out,
            "\nWhat to do\n"
            "  Find what is wrong, by docs/commissioning.md, in another terminal: find, check, "
            "run, read, compare ...\n"
            "  with --config %s/uphole.yaml and, for find, --maps %s/maps.\n"
            "  Then say what it was, here or by\n"
            "    uphole simulate --exercise %u --seed %llu%s%s --answer '...'\n"
            "  in one of these forms:\n",
            directory, directory, exercise->number, (unsigned long long)exercise->seed,
            maps ? " --maps " : "", maps ? maps : "");
    exercise_print_forms(out);
}

void exercise_print_configuration(FILE *out, const struct exercise *exercise, const char *directory)
{
    const struct line_plan *paper = &exercise->paper;
    const unsigned refresh_s = exercise->cabinet.units[0].refresh_ms / 1000;
    fputs(
        "# Made in the office, from the paper. Where the unit says otherwise, the unit is right.\n"
        "site: heron-ridge\nbox: heron-edge-1\nlines:\n",
        out);
    if (is_serial(exercise))
        fprintf(out,
                "  pad-line: {serial: \"%s/port\", speed: %u baud, frame: 8%c%u, response_timeout: "
                "500 ms, listen_first: 5 s}\n",
                directory, paper->baud, paper->parity, paper->stop_bits);
    else
        fprintf(out, "  pad-line: {tcp: \"%s:%u\", response_timeout: 500 ms}\n",
                exercise->cabinet.line.host, exercise->cabinet.line.port);
    fprintf(out,
            "wells:\n  " WELL
            ":\n    label: Heron 7\n    table_block: 0\n    sources:\n      gauge:\n"
            "        - from: 2025-01-10T08:00:00Z\n          line: pad-line\n          unit_id: "
            "%u\n          map: %s\n"
            "          poll_every: 5 s\n          refresh: %u s          # the exercise's; a real "
            "gauge takes 28 s or so\n"
            "          serial_number: G-0417\n"
            "journal: {path: \"%s/journal\"}\n",
            exercise->paper_unit_id, exercise->map_name, refresh_s > 0 ? refresh_s : 1, directory);
}

/* ---- the screen ---- */

void exercise_print_screen(FILE *out, const struct exercise *exercise,
                           const struct well_truth *truth)
{
    for (unsigned i = 0; i < exercise->truth.n_channels; i++) {
        const struct channel *channel = &exercise->truth.channel[i];
        const unsigned point = channel->point;
        if (point >= POINT_COUNT || point == POINT_GAUGE_STATUS || channel->type == TYPE_TEXT)
            continue;
        const struct channel *mapped = map_channel(&exercise->map, point);
        const unit_number unit = exercise->shows_map_units && mapped ? mapped->unit : channel->unit;
        const bool is_there = !isnan(truth->value[point]);
        const double value = is_there ? truth->value[point] : exercise->shown[point];
        if (isnan(value))
            fprintf(out, "%-28s ---\n", point_get(point)->id);
        else
            fprintf(out, "%-28s %.5g %s\n", point_get(point)->id,
                    unit_convert(value, point_unit(point), unit), unit_get(unit)->name);
    }
}

/* ---- afterwards ---- */

void exercise_print_verdict(FILE *out, const struct exercise *exercise,
                            enum exercise_verdict verdict)
{
    char answer[EXERCISE_ANSWER_MAX];
    exercise_answer_to_text(&exercise->answer, answer, sizeof answer);
    if (verdict == EXERCISE_NOT_UNDERSTOOD) {
        fputs("That is no answer in one of these forms:\n", out);
        exercise_print_forms(out);
        return;
    }
    if (verdict == EXERCISE_RIGHT)
        fprintf(out, "Right: %s.\n", answer);
    else if (verdict == EXERCISE_KIND_ONLY)
        fprintf(out, "Not right: the kind is, its detail isn't. It was: %s.\n", answer);
    else
        fprintf(out, "Not right. It was: %s.\n", answer);
    fprintf(out, "Evidence: %s\nTrap: %s\n", exercise->row->evidence, exercise->row->trap);
}
