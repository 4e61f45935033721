/* SPDX-License-Identifier: Apache-2.0
 *
 * core_disk.c - what core notices of the disk that holds the journal: that it takes its time, and
 * that another program keeps the write-ahead log from beginning anew. Each is said once, and once
 * that it is over.
 *
 * While a commit waits for a slow disk nothing is told to anybody, and values get old by the SCADA
 * side's own clock; the lines go on into their rings. Which commit was slow is known only after it.
 */
#include "core_inside.h"

#include "uphole/say.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#define SLOW_COMMIT_MS 5000
#define FAST_FOR_MS 600000    /* so long without a slow one, and it is over */
#define READER_TOLD_MS 300000 /* a copy being made is over by then */

static void tell(struct core *core, enum say_level level, const char *text, const char *advice)
{
    say(level, "journal", "%s%s", text, advice);
    core_add_event(core, "disk", "uphole", text, strlen(text));
}

void core_disk_stored(struct core *core, int64_t took_us)
{
    struct core_disk *disk = &core->disk;
    char text[GAP_CAUSE_MAX], since[STAMP_TEXT_MAX], until[STAMP_TEXT_MAX];
    const struct stamp now = stamp_take(core->options.clock, &core->watch);
    const int64_t took_ms = took_us / 1000;
    if (took_ms > SLOW_COMMIT_MS) {
        disk->newest_slow = now;
        disk->slowest_ms = took_ms > disk->slowest_ms ? took_ms : disk->slowest_ms;
        if (disk->n_slow++ > 0)
            return;
        disk->slow_since = now;
        snprintf(text, sizeof text,
                 "The disk took %.1f s to store scans. Polling goes on; live values and records "
                 "come late by as much.",
                 (double)took_ms / 1e3);
        tell(core, SAY_WARNING, text,
             " Look what else writes to the disk that holds the journal; a worn flash card gets "
             "slow before it fails.");
    } else if (disk->n_slow > 0 && now.boot_ms - disk->newest_slow.boot_ms >= FAST_FOR_MS) {
        snprintf(text, sizeof text,
                 "The disk stores scans in time again. From %s to %s it took more than %d s %u "
                 "%s, %.1f s at most.",
                 stamp_to_short_text(disk->slow_since.utc_ms, since),
                 stamp_to_short_text(disk->newest_slow.utc_ms, until), SLOW_COMMIT_MS / 1000,
                 disk->n_slow, disk->n_slow == 1 ? "time" : "times",
                 (double)disk->slowest_ms / 1e3);
        tell(core, SAY_INFO, text, "");
        disk->n_slow = 0;
        disk->slowest_ms = 0;
    }
}

void core_disk_look(struct core *core)
{
    struct core_disk *disk = &core->disk;
    struct journal_room room;
    char text[GAP_CAUSE_MAX], span[STAMP_TEXT_MAX];
    const int64_t now_ms = clock_boot_ms(core->options.clock);
    journal_room_of(core->options.journal, &room);
    const bool is_held = room.stuck_since_ms != 0 && now_ms - room.stuck_since_ms >= READER_TOLD_MS;
    if (is_held == disk->told_reader || (!is_held && room.stuck_since_ms != 0) ||
        !core_has_room_for_event(core))
        return;
    disk->told_reader = is_held;
    if (is_held) {
        snprintf(text, sizeof text,
                 "Another program has been reading the journal for %s: its write-ahead log grows "
                 "(%.1f MB).",
                 duration_to_text(now_ms - room.stuck_since_ms, span),
                 (double)room.log_bytes / 1e6);
        tell(core, SAY_WARNING, text,
             " Nothing is lost by it until the disk is full. End that program; `uphole export` "
             "and a copy of the journal need no such reader.");
    } else {
        snprintf(text, sizeof text, "The journal's write-ahead log begins anew again.");
        tell(core, SAY_INFO, text, "");
    }
}
