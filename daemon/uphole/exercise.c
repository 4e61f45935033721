/* SPDX-License-Identifier: Apache-2.0
 *
 * exercise.c - `uphole simulate --exercise`: a directory with what the office prepared and what the
 * screen shows, the cabinet on a real port, and the judge at the end.
 *
 * An exercise's directory must not be there before: what a person changed in one is never replaced.
 */
#include "exercise.h"

#include "command.h"

#include <arpa/inet.h>
#include <errno.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sysexits.h>
#include <unistd.h>

#define SCREEN_EVERY_MS 250
#define MAP_BYTES_MAX (256 * 1024)
#define HOST "127.0.0.1"

struct running {
    struct exercise *exercise;
    struct simulate_options serve;
    struct simulate_beside beside;
    char directory[PATH_LENGTH_MAX];
    int code; /* of the verdict */
    size_t n_typed;
    char typed[EXERCISE_ANSWER_MAX + 2];
    bool has_asked, has_failed;
};

/* ---- files ---- */

static int path_of(const struct running *running, const char *name, char into[PATH_LENGTH_MAX])
{
    const int n = snprintf(into, PATH_LENGTH_MAX, "%s/%s", running->directory, name);
    return n > 0 && n < PATH_LENGTH_MAX ? 0 : EX_CANTCREAT;
}

static int can_not(const char *path)
{
    fprintf(stderr, "uphole: %s can't be written: %s\n", path, strerror(errno));
    return EX_CANTCREAT;
}

static int copy_map(const struct running *running, const char *from_directory, const char *name)
{
    char from[PATH_LENGTH_MAX], in[PATH_LENGTH_MAX], to[PATH_LENGTH_MAX];
    if (snprintf(from, sizeof from, "%s/%s.yaml", from_directory, name) >= (int)sizeof from ||
        snprintf(in, sizeof in, "maps/%s.yaml", name) >= (int)sizeof in ||
        path_of(running, in, to) != 0) {
        errno = ENAMETOOLONG;
        return can_not(name);
    }
    char *text = malloc(MAP_BYTES_MAX);
    FILE *source = fopen(from, "re"), *copy = text && source ? fopen(to, "wxe") : NULL;
    const size_t n = copy ? fread(text, 1, MAP_BYTES_MAX, source) : 0;
    const bool is_good =
        copy && !ferror(source) && n < MAP_BYTES_MAX && fwrite(text, 1, n, copy) == n;
    const bool is_closed = copy && fclose(copy) == 0;
    if (source)
        fclose(source);
    free(text);
    return is_good && is_closed ? 0 : can_not(to);
}

static int make_directory(struct running *running, const struct exercise_wish *wish)
{
    char asked[PATH_LENGTH_MAX], path[PATH_LENGTH_MAX], whole[PATH_MAX];
    if (wish->directory)
        snprintf(asked, sizeof asked, "%s", wish->directory);
    else
        snprintf(asked, sizeof asked, "exercise-%u-%llu", wish->number,
                 (unsigned long long)wish->seed);
    if (mkdir(asked, 0750) != 0) {
        if (errno != EEXIST)
            return can_not(asked);
        fprintf(stderr,
                "uphole: %s is there already, and nothing in it is replaced; remove it, or name "
                "another directory with --at\n",
                asked);
        return EX_CANTCREAT;
    }
    if (!realpath(asked, whole) || strlen(whole) + 24 > PATH_LENGTH_MAX ||
        strpbrk(whole, "\"\\\n#") != NULL) {
        rmdir(asked);
        fprintf(stderr,
                "uphole: the path of %s is too long or holds quotation marks; name a simpler one "
                "with --at\n",
                asked);
        return EX_CANTCREAT;
    }
    memcpy(running->directory, whole, strlen(whole) + 1);
    if (path_of(running, "maps", path) != 0 || mkdir(path, 0750) != 0 ||
        path_of(running, "journal", path) != 0 || mkdir(path, 0750) != 0)
        return can_not(path);
    return 0;
}

static int write_configuration(const struct running *running)
{
    char path[PATH_LENGTH_MAX];
    if (path_of(running, "uphole.yaml", path) != 0)
        return EX_CANTCREAT;
    FILE *file = fopen(path, "wxe");
    if (!file)
        return can_not(path);
    exercise_print_configuration(file, running->exercise, running->directory);
    return fclose(file) == 0 ? 0 : can_not(path);
}

/* A screen is read while it is written: it is put in place whole. */
static void write_screen(struct running *running, const struct well_truth *truth)
{
    char path[PATH_LENGTH_MAX], beside[PATH_LENGTH_MAX];
    if (path_of(running, "screen.txt", path) != 0 || path_of(running, ".screen", beside) != 0)
        return;
    FILE *file = fopen(beside, "we");
    if (!file)
        return;
    exercise_print_screen(file, running->exercise, truth);
    if (fclose(file) == 0)
        (void)rename(beside, path);
}

static void clean_up(const struct running *running)
{
    char path[PATH_LENGTH_MAX];
    if (path_of(running, "screen.txt", path) == 0)
        (void)unlink(path);
}

/* ---- beside serving ---- */

static void opened(void *context, uint16_t line, uint16_t port)
{
    struct running *running = context;
    (void)line;
    if (port != 0)
        running->exercise->cabinet.line.port = port;
    running->has_failed = write_configuration(running) != 0;
    exercise_print_briefing(stdout, running->exercise, running->directory);
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
    write_screen(running, &truth);
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
    static const char *const MAPS[] = {"scaled-16", "float-low-first", "drive-a"};
    struct line_plan *line = &running->exercise->cabinet.line;
    int code = make_directory(running, wish);
    for (size_t i = 0; code == 0 && i < sizeof MAPS / sizeof MAPS[0]; i++)
        code = copy_map(running, wish->maps ? wish->maps : UPHOLE_MAPS_DIRECTORY, MAPS[i]);
    if (code != 0)
        return code;
    snprintf(line->name, sizeof line->name, "pad-line");
    snprintf(line->host, sizeof line->host, HOST);
    if (path_of(running, "port", line->device) != 0)
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
        clean_up(running);
    }
    free(exercise);
    free(running);
    return code;
}
