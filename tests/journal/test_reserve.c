/* SPDX-License-Identifier: Apache-2.0
 *
 * test_reserve.c - others fill the disk, and the journal goes on within its own files: commits,
 * removals, a clean close and a new start. On a real file system that is really full (a small
 * tmpfs); skipped by name where nothing may be mounted.
 */
#include "support.h"

#include "check.h"

#include <errno.h>
#include <fcntl.h>
#include <sys/mount.h>
#include <sys/stat.h>
#include <unistd.h>

#define AT_MOST 16000000u
#define SMALL_DISK "size=24m"

static bool mount_small(struct rig *rig)
{
    if (geteuid() == 0 && mount("tmpfs", rig->directory, "tmpfs", 0, SMALL_DISK) == 0)
        return true;
    fprintf(stderr, "skipped: a small tmpfs can't be mounted here (%s)\n",
            geteuid() != 0 ? "this needs root" : strerror(errno));
    return false;
}

static int unmount(void **state)
{
    struct rig *rig = *state;
    journal_close(rig->journal);
    rig->journal = NULL;
    (void)!umount2(rig->directory, MNT_DETACH);
    return rig_teardown(state);
}

/** Takes all that is left of the disk, to the last byte. */
static void fill_disk(const struct rig *rig)
{
    static char block[4096];
    char path[128];
    rig_path(rig, "filler", path);
    const int fd = open(path, O_WRONLY | O_CREAT | O_APPEND, 0600);
    assert_true(fd >= 0);
    memset(block, 'x', sizeof block);
    while (write(fd, block, sizeof block) > 0)
        ;
    while (write(fd, block, 1) > 0)
        ;
    assert_int_equal(errno, ENOSPC);
    close(fd);
}

static void free_disk(const struct rig *rig)
{
    char path[128];
    rig_path(rig, "filler", path);
    assert_int_equal(unlink(path), 0);
}

static void fill_reserve(struct rig *rig)
{
    struct up_error error = {0};
    bool more = true;
    journal_set_room(rig->journal, AT_MOST);
    for (int i = 0; more; i++) {
        if (journal_keep_reserve(rig->journal, &more, &error) != UP_OK)
            fail_msg("reserve: %s", error.why);
        assert_true(i < 100);
    }
}

/** Scans, one a commit; returns how many the journal took before it refused one. */
static int append_until_refused(struct rig *rig, int most)
{
    struct up_error error = {0};
    for (int i = 0; i < most; i++) {
        struct scan scan = rig_scan(rig, 0, SOURCE_GAUGE, OUTCOME_ANSWERED);
        struct batch batch = {.scans = &scan, .n_scans = 1};
        if (journal_append(rig->journal, &batch, &error) != UP_OK)
            return i;
        rig->boot_ms += 10000;
        rig->utc_ms += 10000;
    }
    return most;
}

static int64_t size_of_log(const struct rig *rig)
{
    struct stat file;
    char path[128];
    rig_path(rig, "journal.sqlite-wal", path);
    return stat(path, &file) == 0 ? (int64_t)file.st_size : 0;
}

/* Planted defects: no reserve is kept; it is kept and never given (the file can't grow, the first
 * full page is refused); the log is cut at close (a start on a full disk fails). */
static void a_full_disk_stops_neither_commits_nor_a_start(void **state)
{
    struct rig *rig = *state;
    struct up_error error = {0};
    struct journal_room room;
    if (!mount_small(rig))
        skip();
    rig_start(rig, BOOT_A);
    fill_reserve(rig);
    journal_room_of(rig->journal, &room);
    assert_true(room.reserve_bytes >= room.reserve_wanted && !room.tight);
    assert_true(room.log_bytes >= room.log_wanted);
    fill_disk(rig);
    assert_int_equal(append_until_refused(rig, 3000), 3000);
    journal_room_of(rig->journal, &room);
    const int64_t log = size_of_log(rig);
    rig_kill(rig); /* a close, too, needs nothing of the disk */
    assert_int_equal(size_of_log(rig), log);
    rig_start(rig, BOOT_A);
    journal_set_room(rig->journal, AT_MOST);
    assert_int_equal(append_until_refused(rig, 500), 500);
    assert_int_equal(journal_make_safe(rig->journal, &error), UP_OK);
    assert_int_equal(rig_query(rig, "SELECT count(*) FROM scan"), 3500);
    assert_int_equal(append_until_refused(rig, 10), 10);
}

/* Planted defect: the journal stays tight, or its reserve empty, once others have made room. */
static void the_reserve_is_whole_again_once_there_is_room(void **state)
{
    struct rig *rig = *state;
    struct journal_room room;
    struct up_error error = {0};
    bool more;
    if (!mount_small(rig))
        skip();
    rig_start(rig, BOOT_A);
    fill_reserve(rig);
    fill_disk(rig);
    assert_int_equal(append_until_refused(rig, 12000), 12000);
    assert_int_equal(journal_keep_reserve(rig->journal, &more, &error), UP_OK);
    journal_room_of(rig->journal, &room);
    free_disk(rig);
    fill_reserve(rig);
    journal_room_of(rig->journal, &room);
    assert_true(!room.tight && room.reserve_bytes >= room.reserve_wanted);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_full_disk_stops_neither_commits_nor_a_start, rig_setup,
                                        unmount),
        cmocka_unit_test_setup_teardown(the_reserve_is_whole_again_once_there_is_room, rig_setup,
                                        unmount),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
