/* SPDX-License-Identifier: Apache-2.0
 *
 * exercise.c - `uphole simulate --exercise`: a directory with what the office prepared and what the
 * screen shows, the cabinet on a real port, and the judge at the end.
 */
#include "exercise.h"

#include "command.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sysexits.h>
#include <unistd.h>

#define SCREEN_EVERY_MS 250
#define HOST "127.0.0.1"

struct running {
    struct exercise *exercise;
    struct simulate_options serve;
    struct simulate_beside beside;
    char directory[PATH_LENGTH_MAX]; /* "": not made */
    const char *maps;
    int code; /* of the verdict */
    size_t n_typed;
    char typed[EXERCISE_ANSWER_MAX + 2];
    bool has_opened, has_asked, has_failed;
};

/* ---- beside serving ---- */

static void opened(void *context, uint16_t line, uint16_t port)
{
    struct running *running = context;
    (void)line;
    if (port != 0)
        running->exercise->cabinet.line.port = port;
    running->has_opened = true;
    running->has_failed = exercise_write_configuration(running->directory, running->exercise) != 0;
    exercise_print_briefing(stdout, running->exercise, running->directory, running->maps);
    fputc('\n', stdout);
}

static void ask_for_answer(void)
{
    fputs("\nWhat was it? ", stdout);
    fflush(stdout);
}

static void look(void *context, int64_t now_ms, struct virtual_line *const *lines)
{
    struct running *running = context;
    struct well_truth truth;
    struct virtual_unit *unit = virtual_line_unit(lines[0], 0);
    if (unit) {
        virtual_unit_truth(unit, now_ms, &truth);
    } else {
        /* Behind a converter that doesn't reach it the unit goes on, and so does its screen. */
        well_truth_scheduled(running->exercise->cabinet.units[0].seed, WELL_SCHEDULE_STEADY, now_ms,
                             &truth);
    }
    exercise_write_screen(running->directory, running->exercise, &truth);
    if (!running->has_asked && running->beside.input_fd >= 0 && isatty(running->beside.input_fd))
        ask_for_answer();
    running->has_asked = true;
}

/* True while more may come. */
static bool take_line(struct running *running)
{
    const char *text = running->typed + strspn(running->typed, " \t");
    if (*text == '\0') {
        ask_for_answer();
        return true;
    }
    const enum exercise_verdict verdict = exercise_judge(running->exercise, text);
    exercise_print_verdict(stdout, running->exercise, verdict);
    if (verdict == EXERCISE_NOT_UNDERSTOOD) {
        ask_for_answer();
        return true;
    }
    running->code = verdict == EXERCISE_RIGHT ? 0 : 1;
    return false;
}

static bool input(void *context)
{
    struct running *running = context;
    char bytes[256];
    const ssize_t n = read(running->beside.input_fd, bytes, sizeof bytes);
    if (n < 0 && (errno == EAGAIN || errno == EINTR))
        return true;
    if (n <= 0) {
        running->beside.input_fd = -1; /* the keyboard is gone; served until it is stopped */
        return true;
    }
    for (ssize_t i = 0; i < n; i++) {
        if (bytes[i] != '\n' && bytes[i] != '\r') {
            if (running->n_typed < EXERCISE_ANSWER_MAX + 1)
                running->typed[running->n_typed++] = bytes[i];
            continue;
        }
        running->typed[running->n_typed] = '\0';
        running->n_typed = 0;
        if (bytes[i] == '\n' && !take_line(running))
            return false;
    }
    return true;
}

/* ---- the whole ---- */

static int make(struct exercise *exercise, const struct exercise_wish *wish)
{
    struct plan_faults faults = {0};
    struct up_error error = {0};
    struct map *map = NULL;
    if (!exercise_choose(wish->number, wish->seed, exercise)) {
        fprintf(stderr, "uphole: there are exercises 1 to %d\n", EXERCISES);
        return EX_USAGE;
    }
    enum up_rc rc = map_by_name(exercise->map_name, wish->maps, &map, &faults);
    if (rc != UP_OK) {
        command_print_faults(&faults);
        return up_exit_code(rc);
    }
    rc = exercise_make(exercise, map, wish->refresh_ms ? wish->refresh_ms : EXERCISE_REFRESH_MS,
                       &error);
    free(map);
    return rc == UP_OK ? 0 : command_fail(&error);
}

static int prepare(struct running *running, const struct exercise_wish *wish)
{
    struct line_plan *line = &running->exercise->cabinet.line;
    running->maps = wish->maps;
    const int code = exercise_make_files(wish, running->directory);
    if (code != 0)
        return code;
    snprintf(line->name, sizeof line->name, "pad-line");
    snprintf(line->host, sizeof line->host, HOST);
    if (snprintf(line->device, sizeof line->device, "%s/port", running->directory) >=
        (int)sizeof line->device)
        return EX_CANTCREAT;
    running->beside = (struct simulate_beside){.context = running,
                                               .opened = opened,
                                               .look_every_ms = SCREEN_EVERY_MS,
                                               .look = look,
                                               .input_fd = STDIN_FILENO,
                                               .input = input};
    running->serve = (struct simulate_options){.n_lines = 1,
                                               .beside = &running->beside,
                                               .seed = running->exercise->seed,
                                               .stop_fd = -1,
                                               .announce = stdout};
    running->serve.lines[0] = running->exercise->cabinet;
    return 0;
}

int exercise_run(const struct exercise_wish *wish)
{
    struct up_error error = {0};
    struct running *running = calloc(1, sizeof *running);
    struct exercise *exercise = calloc(1, sizeof *exercise);
    int code = running && exercise ? 0 : EX_OSERR;
    if (code == 0) {
        running->exercise = exercise;
        code = make(exercise, wish);
    }
    if (code == 0 && wish->answer) {
        const enum exercise_verdict verdict = exercise_judge(exercise, wish->answer);
        exercise_print_verdict(verdict == EXERCISE_NOT_UNDERSTOOD ? stderr : stdout, exercise,
                               verdict);
        code = verdict == EXERCISE_RIGHT ? 0 : verdict == EXERCISE_NOT_UNDERSTOOD ? EX_USAGE : 1;
    } else if (code == 0) {
        code = prepare(running, wish);
        if (code == 0 && simulate_serve(&running->serve, &error) != UP_OK)
            code = command_fail(&error);
        else if (code == 0)
            code = running->has_failed ? EX_CANTCREAT : running->code;
        exercise_drop_files(running->directory, !running->has_opened);
    }
    free(exercise);
    free(running);
    return code;
}
