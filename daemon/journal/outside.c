/* SPDX-License-Identifier: Apache-2.0
 *
 * outside.c - a mark beside the database: how far it had come, on which box and machine. Written
 * ahead once per 1,024 rows, it only raises an alarm when the file went back in time or came from
 * elsewhere; that a record is unique rests on the run alone.
 */
#include "store.h"

#include "uphole/say.h"

#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#define MARK_FILE "journal.mark"
#define MARK_AHEAD 1024
#define MARK_FORMAT "uphole journal mark 1\npos %" PRIu64 "\nbox %s\nmachine %08" PRIx32 "\n"

struct outside {
    uint64_t pos;
    char box[NAME_LENGTH_MAX + 1];
    uint32_t machine;
};

static bool read_mark(const struct journal *journal, struct outside *mark)
{
    char path[JOURNAL_PATH_MAX], text[160] = "";
    snprintf(path, sizeof path, "%s/" MARK_FILE, journal->directory);
    const int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    if (fd < 0)
        return false;
    const ssize_t n = read(fd, text, sizeof text - 1);
    close(fd);
    return n > 0 &&
           sscanf(text, "uphole journal mark 1\npos %" SCNu64 "\nbox %32s\nmachine %" SCNx32,
                  &mark->pos, mark->box, &mark->machine) == 3;
}

/** Temporary file, sync, rename, sync of the directory: the old mark or the new one. */
static bool write_mark(const struct journal *journal, uint64_t pos)
{
    char path[JOURNAL_PATH_MAX], temporary[JOURNAL_PATH_MAX + 8], text[160];
    snprintf(path, sizeof path, "%s/" MARK_FILE, journal->directory);
    snprintf(temporary, sizeof temporary, "%s.new", path);
    const int length =
        snprintf(text, sizeof text, MARK_FORMAT, pos, journal->box, journal->machine);
    const int fd = open(temporary, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, 0640);
    if (fd < 0)
        return false;
    bool good = write(fd, text, (size_t)length) == length && fsync(fd) == 0;
    good = close(fd) == 0 && good;
    good = good && rename(temporary, path) == 0;
    const int directory = open(journal->directory, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (directory >= 0) {
        good = fsync(directory) == 0 && good;
        close(directory);
    }
    return good;
}

void outside_keep(struct journal *journal)
{
    if (journal->box[0] == '\0' || journal->newest_pos + MARK_AHEAD / 2 < journal->marked_pos)
        return;
    const uint64_t pos = journal->newest_pos + MARK_AHEAD;
    journal->marked_pos = pos; /* a full disk takes no mark: tried again in a while */
    const bool good = write_mark(journal, pos);
    if (!good && !journal->mark_failed)
        say(SAY_WARNING, "journal",
            "The mark beside the journal could not be written: a restored copy might not be "
            "noticed.");
    journal->mark_failed = !good;
}

__attribute__((format(printf, 3, 4))) static void tell(struct journal *journal, const char *kind,
                                                       const char *format, ...)
{
    char text[GAP_CAUSE_MAX];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    say(SAY_WARNING, "journal", "%s", text);
    if (journal_put_event(journal, kind, "uphole", text) != SQLITE_OK)
        say(SAY_WARNING, "journal", "That event could not be stored.");
}

void journal_know_box(struct journal *journal, const char *box, uint32_t machine)
{
    struct outside mark = {0};
    const uint64_t newest = journal->newest_pos;
    snprintf(journal->box, sizeof journal->box, "%s", box);
    journal->machine = machine;
    journal->marked_pos = 0;
    if (!read_mark(journal, &mark))
        return;
    if (newest == 0 || (!journal->last.exists && newest < MARK_AHEAD))
        tell(journal, "journal_lost",
             "The journal that was here is gone; a new one was begun. It held rows up to about "
             "%" PRIu64 ". Records begin with seq 1 under another run.",
             mark.pos > MARK_AHEAD ? mark.pos - MARK_AHEAD : mark.pos);
    else if (newest + MARK_AHEAD < mark.pos)
        tell(journal, "journal_went_back",
             "The journal is older than it was: it held rows up to %" PRIu64
             " or more, now up to %" PRIu64
             ". A copy was restored, or its write-ahead log was lost.",
             mark.pos - MARK_AHEAD, newest);
    if (machine != 0 && mark.machine != 0 && mark.machine != machine)
        tell(journal, "journal_moved",
             "The journal was last written on another machine. If that one still runs with it, "
             "both publish as box %s: stop one of them.",
             box);
    if (strcmp(mark.box, box) != 0)
        tell(journal, "journal_box",
             "The journal was written by box %s, this is box %s: what is older is that box's.",
             mark.box, box);
}
