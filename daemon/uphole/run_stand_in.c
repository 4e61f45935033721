/* SPDX-License-Identifier: Apache-2.0
 *
 * run_stand_in.c - the disk refuses the journal at the start: the program does not end. Lines are
 * read, `latest` and the table go on marked not_journaled, and the journal's own place is tried
 * again every few seconds; once it takes the journal, all begins anew with it within the process.
 *
 * What needs a journal meanwhile (numbers of wells, a run's number) has one in memory's file system
 * or for temporary files: it holds no scan and is removed with its directory.
 */
#include "run_inside.h"

#include "uphole/say.h"

#include <dirent.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define TRY_EVERY_US 5000000
#define SAY_AGAIN_US INT64_C(3600000000)

bool run_is_of_the_disk(const struct up_error *error)
{
    static const int OF_THE_CONFIGURATION[] = {EACCES, EPERM, ENOTDIR, ELOOP, EISDIR, ENAMETOOLONG};
    if (error->rc != UP_E_DISK)
        return false;
    for (size_t i = 0; i < sizeof OF_THE_CONFIGURATION / sizeof *OF_THE_CONFIGURATION; i++)
        if (error->sys_errno == OF_THE_CONFIGURATION[i])
            return false;
    return true;
}

/** A fresh directory, where such can be made; false: nowhere. */
static bool make_directory(char into[static PATH_LENGTH_MAX])
{
    const char *const PLACES[] = {getenv("RUNTIME_DIRECTORY"), getenv("TMPDIR"), "/dev/shm",
                                  "/tmp"};
    for (size_t i = 0; i < sizeof PLACES / sizeof *PLACES; i++) {
        if (PLACES[i] == NULL || strlen(PLACES[i]) > PATH_LENGTH_MAX - 40)
            continue;
        snprintf(into, PATH_LENGTH_MAX, "%s/uphole-stand-in-XXXXXX", PLACES[i]);
        if (mkdtemp(into) != NULL)
            return true;
    }
    return false;
}

static void remove_directory(const char *path)
{
    char file[PATH_LENGTH_MAX + 260];
    DIR *directory = opendir(path);
    for (struct dirent *entry; directory != NULL && (entry = readdir(directory)) != NULL;) {
        snprintf(file, sizeof file, "%s/%s", path, entry->d_name);
        if (strcmp(entry->d_name, ".") != 0 && strcmp(entry->d_name, "..") != 0)
            unlink(file);
    }
    if (directory != NULL)
        closedir(directory);
    rmdir(path);
}

static void tell(struct well_side *side, const struct up_error *why)
{
    struct stand_in *stand_in = &side->stand_in;
    const int64_t now_us = clock_boot_us(&side->clock);
    if (strcmp(stand_in->why, why->why) == 0 && now_us < stand_in->say_us)
        return;
    snprintf(stand_in->why, sizeof stand_in->why, "%s", why->why);
    stand_in->say_us = now_us + SAY_AGAIN_US;
    say(SAY_ERROR, "journal",
        "%s. Uphole runs without its journal: lines are read and live values are marked "
        "not_journaled; nothing is stored and nothing is sent as a record. The journal's place is "
        "tried again every 5 s.",
        why->why);
}

static void drop_journal(struct well_side *side)
{
    ledger_destroy(side->ledger);
    journal_close(side->journal);
    side->ledger = NULL;
    side->journal = NULL;
    side->run = 0;
}

enum up_rc run_open_any_journal(struct well_side *side, struct up_error *error)
{
    struct stand_in *stand_in = &side->stand_in;
    struct up_error why = {0};
    char directory[PATH_LENGTH_MAX];
    enum up_rc rc = run_open_journal(side, &why);
    if (rc == UP_OK || !run_is_of_the_disk(&why) || !make_directory(directory)) {
        if (rc != UP_OK && error != NULL)
            *error = why;
        return rc;
    }
    drop_journal(side);
    snprintf(stand_in->own, sizeof stand_in->own, "%s", side->plan->journal.path);
    snprintf(side->plan->journal.path, sizeof side->plan->journal.path, "%s", directory);
    stand_in->is_used = true;
    tell(side, &why);
    rc = run_open_journal(side, error);
    stand_in->since = side->began;
    stand_in->try_us = clock_boot_us(&side->clock) + TRY_EVERY_US;
    return rc;
}

void run_try_own_journal(struct well_side *side)
{
    struct stand_in *stand_in = &side->stand_in;
    struct journal *journal = NULL;
    struct up_error error = {0};
    const int64_t now_us = clock_boot_us(&side->clock);
    if (now_us < stand_in->try_us)
        return;
    stand_in->try_us = now_us + TRY_EVERY_US;
    const enum up_rc rc =
        journal_open(stand_in->own, &side->clock, side->boot_id, &journal, &error);
    journal_close(journal);
    if (rc != UP_OK && run_is_of_the_disk(&error)) {
        tell(side, &error);
        return;
    }
    if (rc == UP_OK)
        say(SAY_INFO, "journal", "The disk takes the journal %s. Uphole begins anew with it.",
            stand_in->own);
    side->begins_anew = true; /* what else is wrong the start says, and ends by it */
}

void run_end_stand_in(struct well_side *side)
{
    struct stand_in *stand_in = &side->stand_in;
    if (!stand_in->is_used)
        return;
    remove_directory(side->plan->journal.path);
    snprintf(side->plan->journal.path, sizeof side->plan->journal.path, "%s", stand_in->own);
}

void run_tell_stood_in(struct well_side *side, const struct stand_in *before)
{
    char text[GAP_CAUSE_MAX], since[STAMP_TEXT_MAX], until[STAMP_TEXT_MAX];
    if (!before->is_used || side->stand_in.is_used)
        return;
    snprintf(text, sizeof text,
             "From %s to %s Uphole ran and read its lines, but the disk refused the journal: "
             "nothing of that time is stored. %.90s",
             stamp_to_short_text(before->since.utc_ms, since),
             stamp_to_short_text(side->began.utc_ms, until), before->why);
    core_add_event(side->core, "disk", "uphole", text, strlen(text));
}
