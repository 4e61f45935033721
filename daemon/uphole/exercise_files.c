/* SPDX-License-Identifier: Apache-2.0
 *
 * exercise_files.c - the directory of an exercise: what the office prepared, and what the screen
 * shows.
 *
 * It must not be there before: what a person changed in one is never replaced.
 */
#include "exercise.h"

#include "command.h"

#include <errno.h>
#include <limits.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sysexits.h>
#include <unistd.h>

#define MAP_BYTES_MAX (256 * 1024)
#define DIRECTORY_MOST 80 /* characters: the local socket's name, in its journal, must have room   \
                           */

static const char *const MAPS[] = {"scaled-16", "float-low-first", "drive-a"};
#define MAPS_N (sizeof MAPS / sizeof MAPS[0])

static int path_of(const char *directory, const char *name, char into[PATH_LENGTH_MAX])
{
    const int n = snprintf(into, PATH_LENGTH_MAX, "%s/%s", directory, name);
    return n > 0 && n < PATH_LENGTH_MAX ? 0 : EX_CANTCREAT;
}

static int can_not(const char *path)
{
    fprintf(stderr, "uphole: %s can't be written: %s\n", path, strerror(errno));
    return EX_CANTCREAT;
}

static int copy_map(const char *directory, const char *maps, const char *name)
{
    char from[PATH_LENGTH_MAX], in[PATH_LENGTH_MAX], to[PATH_LENGTH_MAX];
    if (snprintf(from, sizeof from, "%s/%s.yaml", maps, name) >= (int)sizeof from ||
        snprintf(in, sizeof in, "maps/%s.yaml", name) >= (int)sizeof in ||
        path_of(directory, in, to) != 0) {
        errno = ENAMETOOLONG;
        return can_not(name);
    }
    FILE *source = fopen(from, "re");
    if (!source) {
        fprintf(stderr, "uphole: the map %s can't be read: %s\n", from, strerror(errno));
        return EX_NOINPUT;
    }
    char *text = malloc(MAP_BYTES_MAX);
    FILE *copy = text ? fopen(to, "wxe") : NULL;
    const size_t n = copy ? fread(text, 1, MAP_BYTES_MAX, source) : 0;
    const bool is_good =
        copy && !ferror(source) && n < MAP_BYTES_MAX && fwrite(text, 1, n, copy) == n;
    const bool is_closed = copy && fclose(copy) == 0;
    fclose(source);
    free(text);
    return is_good && is_closed ? 0 : can_not(to);
}

static int make_directory(const struct exercise_wish *wish, char directory[static PATH_LENGTH_MAX])
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
    if (!realpath(asked, whole) || strlen(whole) > DIRECTORY_MOST ||
        strpbrk(whole, "\"\\\n#") != NULL) {
        rmdir(asked);
        fprintf(stderr,
                "uphole: the path of %s is too long or holds quotation marks; name a simpler one "
                "with --at\n",
                asked);
        return EX_CANTCREAT;
    }
    memcpy(directory, whole, strlen(whole) + 1);
    if (path_of(directory, "maps", path) != 0 || mkdir(path, 0750) != 0 ||
        path_of(directory, "journal", path) != 0 || mkdir(path, 0750) != 0)
        return can_not(path);
    return 0;
}

int exercise_make_files(const struct exercise_wish *wish, char directory[static PATH_LENGTH_MAX])
{
    directory[0] = '\0';
    int code = make_directory(wish, directory);
    for (size_t i = 0; code == 0 && i < MAPS_N; i++)
        code = copy_map(directory, wish->maps ? wish->maps : UPHOLE_MAPS_DIRECTORY, MAPS[i]);
    return code;
}

int exercise_write_configuration(const char *directory, const struct exercise *exercise)
{
    char path[PATH_LENGTH_MAX];
    if (path_of(directory, "uphole.yaml", path) != 0)
        return EX_CANTCREAT;
    FILE *file = fopen(path, "wxe");
    if (!file)
        return can_not(path);
    exercise_print_configuration(file, exercise, directory);
    return fclose(file) == 0 ? 0 : can_not(path);
}

/* A screen is read while it is written: it is put in place whole. */
void exercise_write_screen(const char *directory, const struct exercise *exercise,
                           const struct well_truth *truth)
{
    char path[PATH_LENGTH_MAX], beside[PATH_LENGTH_MAX];
    if (path_of(directory, "screen.txt", path) != 0 || path_of(directory, ".screen", beside) != 0)
        return;
    FILE *file = fopen(beside, "we");
    if (!file)
        return;
    exercise_print_screen(file, exercise, truth);
    if (fclose(file) == 0)
        (void)rename(beside, path);
}

static void drop(const char *directory, const char *name)
{
    char path[PATH_LENGTH_MAX];
    if (path_of(directory, name, path) == 0)
        (void)remove(path); /* of directories only an empty one */
}

void exercise_drop_files(const char *directory, bool all)
{
    if (directory[0] == '\0')
        return;
    drop(directory, "screen.txt");
    drop(directory, ".screen");
    if (!all)
        return;
    for (size_t i = 0; i < MAPS_N; i++) {
        char name[NAME_LENGTH_MAX + 16];
        snprintf(name, sizeof name, "maps/%s.yaml", MAPS[i]);
        drop(directory, name);
    }
    drop(directory, "maps");
    drop(directory, "journal");
    drop(directory, "uphole.yaml");
    (void)rmdir(directory);
}
