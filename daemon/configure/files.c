/* SPDX-License-Identifier: Apache-2.0
 *
 * files.c - files of configurations and maps: read whole and bounded, looked up by name only in the
 * directories of maps.
 */
#include "rooms.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define NAMES_MAX 200

char *file_read(struct plan_faults *faults, const char *path, size_t *length, bool *missing)
{
    struct stat status;
    *missing = true;
    /* Without O_NONBLOCK a named pipe that nobody writes to would hold us for ever. */
    const int fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    FILE *file = fd >= 0 ? fdopen(fd, "r") : NULL;
    if (!file || fstat(fd, &status) != 0) {
        const char *why = errno == EACCES
                              ? "this user may not read it; run this as root or as the service's "
                                "user, or let this user read it"
                          : errno == ENOENT ? "no such file; name the file by its full path, or "
                                              "relative to the directory you are in"
                                            : strerror(errno);
        fault_in(faults, path, 0, 0, "%s", why);
        if (file)
            (void)fclose(file);
        else if (fd >= 0)
            (void)close(fd);
        return NULL;
    }
    char *text = NULL;
    if (!S_ISREG(status.st_mode)) {
        fault_in(faults, path, 0, 0,
                 "is no file; expected one that holds the text, not a directory, pipe or "
                 "device");
    } else if ((text = malloc(PLAN_TEXT_MAX + 2)) == NULL) {
        fault_in(faults, path, 0, 0, "no memory for this file");
    } else {
        *length = fread(text, 1, PLAN_TEXT_MAX + 1,
                        file); /* one byte more than allowed shows that it is too large */
        text[*length] = 0;
        *missing = ferror(file) != 0;
        if (*missing) {
            fault_in(faults, path, 0, 0, "can't be read");
            free(text);
            text = NULL;
        }
    }
    (void)fclose(file);
    return text;
}

/* ---- maps ---- */

struct names {
    int n;
    char name[NAMES_MAX][NAME_LENGTH_MAX + 1];
};

static const char *name_at(const void *context, int i)
{
    const struct names *names = context;
    return i < names->n ? names->name[i] : NULL;
}

static void names_of_directory(const char *directory, struct names *names)
{
    DIR *at = directory ? opendir(directory) : NULL;
    const struct dirent *entry;
    while (at && names->n < NAMES_MAX && (entry = readdir(at)) != NULL) {
        const size_t n = strlen(entry->d_name);
        if (n > 5 && strcmp(entry->d_name + n - 5, ".yaml") == 0 &&
            name_is_valid(entry->d_name, n - 5))
            (void)snprintf(names->name[names->n++], NAME_LENGTH_MAX + 1, "%.*s", (int)(n - 5),
                           entry->d_name);
    }
    if (at)
        (void)closedir(at);
}

static void fault_of_missing(struct plan_faults *faults, const struct node *named_at,
                             const char *name, const char *directory)
{
    struct names *names = calloc(1, sizeof *names);
    const char *close = NULL;
    if (names) {
        names_of_directory(directory, names);
        names_of_directory(UPHOLE_MAPS_DIRECTORY, names);
        close = suggest(name, name_at, names);
    }
    fault_at(faults, named_at, "no map is called `%s`; expected %s.yaml in %.100s%s%s%s", name,
             name, directory ? directory : UPHOLE_MAPS_DIRECTORY, close ? "; did you mean `" : "",
             close ? close : "", close ? "`" : "");
    free(names);
}

static bool path_of_map(const char *directory, const char *name, char path[static PATH_LENGTH_MAX])
{
    struct stat status;
    if (!directory ||
        snprintf(path, PATH_LENGTH_MAX, "%s/%s.yaml", directory, name) >= PATH_LENGTH_MAX)
        return false;
    return stat(path, &status) == 0;
}

static bool map_read_file(struct plan_faults *faults, const char *path, const char *name,
                          struct map *map, bool *missing)
{
    size_t length = 0;
    char *text = file_read(faults, path, &length, missing);
    if (!text)
        return false;
    struct yaml_tree *tree = yaml_tree_read(path, text, length, faults);
    bool good = tree && map_read(faults, yaml_tree_root(tree), map);
    if (good && name && strcmp(map->name, name) != 0) {
        fault_at(faults, node_find(yaml_tree_root(tree), "map"),
                 "this file is asked for as map `%s`, but calls itself `%s`", name, map->name);
        good = false;
    }
    yaml_tree_free(tree);
    free(text);
    return good;
}

bool map_read_by_name(struct plan_faults *faults, const struct node *named_at, const char *name,
                      const char *directory, struct map *map)
{
    char path[PATH_LENGTH_MAX];
    bool missing;
    if (!name_is_valid(name, strlen(name))) {
        fault_at(faults, named_at,
                 "`%.60s` can't be the name of a map; expected 1 to 32 characters out of a to z, 0 "
                 "to 9 and -",
                 name);
        return false;
    }
    if (!path_of_map(directory, name, path) && !path_of_map(UPHOLE_MAPS_DIRECTORY, name, path)) {
        fault_of_missing(faults, named_at, name, directory);
        return false;
    }
    return map_read_file(faults, path, name, map, &missing);
}

enum up_rc map_from_file(const char *path, struct map **map, struct plan_faults *faults)
{
    bool missing = false;
    memset(faults, 0, sizeof *faults);
    struct map *made = calloc(1, sizeof *made);
    if (!made)
        return UP_E_MEMORY;
    if (map_read_file(faults, path, NULL, made, &missing)) {
        *map = made;
        return UP_OK;
    }
    free(made);
    faults_sort(faults, path);
    return missing ? UP_E_MISSING : UP_E_CONFIG;
}

enum up_rc map_by_name(const char *name, const char *maps_directory, struct map **map,
                       struct plan_faults *faults)
{
    const struct node nowhere = {.file = "", .line = 0};
    char path[PATH_LENGTH_MAX];
    memset(faults, 0, sizeof *faults);
    struct map *made = calloc(1, sizeof *made);
    if (!made)
        return UP_E_MEMORY;
    if (map_read_by_name(faults, &nowhere, name, maps_directory, made)) {
        *map = made;
        return UP_OK;
    }
    free(made);
    const bool found =
        name_is_valid(name, strlen(name)) &&
        (path_of_map(maps_directory, name, path) || path_of_map(UPHOLE_MAPS_DIRECTORY, name, path));
    return found ? UP_E_CONFIG : UP_E_MISSING;
}
