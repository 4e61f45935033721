/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_check_file.c - the files of a loop check: its progress, replaced as a whole after each step,
 * so that neither Ctrl-C nor a power cut takes more than the step under way; at the end the record
 * and its page.
 *
 * Progress and record are the same JSON; only `complete` differs.
 */
#include "loop_check.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <sysexits.h>
#include <unistd.h>

#define NAME_ROOM (PATH_LENGTH_MAX + 160)

static void name_file(const struct loop_check *check, const char *ending,
                      char into[static NAME_ROOM])
{
    snprintf(into, NAME_ROOM, "%.255s/loop-check-%s%s", check->directory, check->well->id, ending);
}

static enum up_rc cannot(const char *what, const char *path, struct up_error *error)
{
    return UP_FAIL_ERRNO(error, UP_E_DISK, "%.200s can't be %s (%s)", path, what, strerror(errno));
}

/** The directory's own entry is on disk as well, or the file could be gone after a power cut. */
static enum up_rc sync_directory(const struct loop_check *check, struct up_error *error)
{
    const int fd = open(check->directory, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    const bool good = fd >= 0 && fsync(fd) == 0;
    const enum up_rc rc = good ? UP_OK : cannot("written", check->directory, error);
    if (fd >= 0)
        close(fd);
    return rc;
}

/** `print` writes into a file beside it, which takes its name once it is on disk. */
static enum up_rc put_file(const struct loop_check *check, const char *path,
                           void (*print)(FILE *, const void *), const void *what,
                           struct up_error *error)
{
    char beside[NAME_ROOM + 8];
    snprintf(beside, sizeof beside, "%s.new", path);
    const int fd = open(beside, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, 0640);
    FILE *file = fd >= 0 ? fdopen(fd, "w") : NULL;
    if (file == NULL) {
        const enum up_rc rc = cannot("written", beside, error);
        if (fd >= 0)
            close(fd);
        return rc;
    }
    print(file, what);
    bool good = fflush(file) == 0 && !ferror(file) && fsync(fd) == 0;
    good = fclose(file) == 0 && good;
    if (!good || rename(beside, path) != 0) {
        const enum up_rc rc = cannot("written", path, error);
        (void)unlink(beside);
        return rc;
    }
    return sync_directory(check, error);
}

struct text {
    const char *at;
    size_t n;
};
static void print_text(FILE *file, const void *what)
{
    const struct text *text = what;
    (void)!fwrite(text->at, 1, text->n, file);
    fputc('\n', file);
}
static void print_page(FILE *file, const void *what)
{
    loop_print_page(file, what);
}

static enum up_rc put_json(const struct loop_check *check, const char *path, struct up_error *error)
{
    char *text = malloc(LOOP_JSON_MAX);
    const size_t n = text == NULL ? 0 : loop_to_json(check->record, text, LOOP_JSON_MAX);
    const struct text whole = {text, n};
    const enum up_rc rc = n == 0 ? UP_FAIL(error, UP_E_FULL, "the record is too large")
                                 : put_file(check, path, print_text, &whole, error);
    free(text);
    return rc;
}

int loop_file_lock(struct loop_check *check)
{
    char path[NAME_ROOM];
    struct stat about;
    if (stat(check->directory, &about) != 0 || !S_ISDIR(about.st_mode)) {
        fprintf(stderr,
                "uphole: --record %s is no directory; make one that outlives this box, as on a "
                "memory stick or in your home\n",
                check->directory);
        return EX_CANTCREAT;
    }
    name_file(check, ".lock", path);
    check->lock_fd = open(path, O_RDWR | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0640);
    if (check->lock_fd < 0) {
        fprintf(stderr, "uphole: %s can't be written (%s)\n", path, strerror(errno));
        return EX_CANTCREAT;
    }
    if (flock(check->lock_fd, LOCK_EX | LOCK_NB) == 0)
        return 0;
    fprintf(stderr, "uphole: another loop check of %s goes on in %s\n", check->well->id,
            check->directory);
    return EX_TEMPFAIL;
}

enum up_rc loop_file_load(struct loop_check *check, struct up_error *error)
{
    char path[NAME_ROOM];
    name_file(check, ".json", path);
    FILE *file = fopen(path, "re");
    if (file == NULL && errno == ENOENT)
        return UP_E_MISSING;
    if (file == NULL)
        return cannot("read", path, error);
    char *text = malloc(LOOP_JSON_MAX + 1);
    const size_t n = text == NULL ? 0 : fread(text, 1, LOOP_JSON_MAX + 1, file);
    const bool whole = text != NULL && !ferror(file) && n <= LOOP_JSON_MAX;
    fclose(file);
    const enum up_rc rc = whole ? loop_from_json(text, n, check->record, error)
                                : UP_FAIL(error, UP_E_INPUT, "it can't be read whole");
    free(text);
    if (rc != UP_OK)
        up_error_prefix(error, "%.180s", path);
    return rc;
}

enum up_rc loop_file_save(struct loop_check *check, struct up_error *error)
{
    char path[NAME_ROOM];
    name_file(check, ".json", path);
    return put_json(check, path, error);
}

enum up_rc loop_file_finish(struct loop_check *check, char json[static PATH_LENGTH_MAX],
                            char page[static PATH_LENGTH_MAX], struct up_error *error)
{
    char time[STAMP_TEXT_MAX], ending[80], path[NAME_ROOM], compact[24];
    size_t n = 0;
    stamp_to_short_text(check->record->ended_utc_ms, time); /* 2031-03-01 06:00:05Z */
    for (const char *at = time; *at != '\0' && n + 1 < sizeof compact; at++)
        if (*at == ' ')
            compact[n++] = 'T';
        else if (*at != '-' && *at != ':')
            compact[n++] = *at;
    compact[n] = '\0';
    snprintf(ending, sizeof ending, "-%s.html", compact);
    name_file(check, ending, path);
    enum up_rc rc = put_file(check, path, print_page, check->record, error);
    snprintf(page, PATH_LENGTH_MAX, "%.255s", path);
    snprintf(ending, sizeof ending, "-%s.json", compact);
    name_file(check, ending, path);
    if (rc == UP_OK)
        rc = put_json(check, path, error);
    snprintf(json, PATH_LENGTH_MAX, "%.255s", path);
    if (rc != UP_OK)
        return rc;
    name_file(check, ".json", path);
    (void)unlink(path);
    name_file(check, ".lock", path);
    (void)unlink(path);
    return UP_OK;
}
