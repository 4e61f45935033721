/* SPDX-License-Identifier: Apache-2.0
 *
 * day_late.c - late equals live: what was delivered as it came, against what a fresh backlog gives
 * from a random place in the journal.
 */
#include "day_late.h"
#include "day_inside.h"

#include "check.h"

#include <inttypes.h>
#include <stdlib.h>

void keep_record(struct day *day, void *context, const struct record *record, bool live)
{
    (void)day;
    (void)live;
    struct kept_records *kept = context;
    if (kept->n == kept->room) {
        kept->room = kept->room == 0 ? 4096 : 2 * kept->room;
        kept->record = realloc(kept->record, kept->room * sizeof *kept->record);
        assert_non_null(kept->record);
    }
    kept->record[kept->n++] = *record;
}

struct late_judge {
    struct day *day;
    struct backlog *backlog;
    const struct kept_records *kept;
    uint64_t compared;
};

static const struct record *find(const struct kept_records *kept, uint64_t pos)
{
    for (size_t i = 0; i < kept->n; i++)
        if (kept->record[i].pos == pos)
            return &kept->record[i];
    return NULL;
}

static bool same(const struct record *a, const struct record *b)
{
    if (a->run != b->run || a->seq != b->seq || a->after_run != b->after_run ||
        a->after_seq != b->after_seq || a->revision != b->revision ||
        a->plan_digest != b->plan_digest || a->outcome != b->outcome || a->source != b->source ||
        a->n != b->n)
        return false;
    for (uint16_t i = 0; i < a->n; i++) {
        const struct reading *x = &a->reading[i], *y = &b->reading[i];
        if (x->point != y->point || x->quality != y->quality || x->worst_input != y->worst_input ||
            memcmp(&x->age_s, &y->age_s, sizeof x->age_s) != 0 ||
            memcmp(&x->value, &y->value, sizeof x->value) != 0)
            return false;
    }
    return true;
}

static bool take_late(void *context, const struct wall_message *message)
{
    struct late_judge *judge = context;
    if (message->kind != WALL_RECORD)
        return true;
    const struct record *late = &message->record.record;
    const struct record *live = find(judge->kept, late->pos);
    if (live == NULL)
        return true; /* never delivered live: nothing to compare with */
    if (!same(late, live)) {
        for (uint16_t i = 0; i < late->n && i < live->n; i++)
            print_message("%s: late %.17g %u %.9g, live %.17g %u %.9g\n",
                          point_get(late->reading[i].point)->id, late->reading[i].value,
                          late->reading[i].quality, (double)late->reading[i].age_s,
                          live->reading[i].value, live->reading[i].quality,
                          (double)live->reading[i].age_s);
        fail_msg("seq %" PRIu64 " at pos %" PRIu64 " is late another record than it was live",
                 late->seq, late->pos);
    }
    judge->compared++;
    return true;
}

static uint64_t live_seq(void *context, uint16_t well)
{
    return core_live_seq(((struct late_judge *)context)->day->core, well);
}

/** By the backlog that is open, or a fresh one, which stays open for the next want. */
static void read_late(struct late_judge *judge, bool fresh, const struct record *from, uint16_t n)
{
    struct day *day = judge->day;
    struct up_error error = {0};
    const struct backlog_options options = {.plan = day->plan,
                                            .journal_directory = day->directory,
                                            .send = take_late,
                                            .live_seq = live_seq,
                                            .context = judge};
    const struct wall_want want = {
        .well = from->well, .stream = STREAM_RECORD, .after = from->pos, .n = n};
    if (fresh || judge->backlog == NULL) {
        backlog_close(judge->backlog);
        if (backlog_open(&options, &judge->backlog, &error) != UP_OK)
            fail_msg("%s", error.why);
    }
    if (backlog_serve(judge->backlog, &want, &error) != UP_OK)
        fail_msg("%s", error.why);
}

uint64_t check_late_equals_live(struct day *day, const struct kept_records *kept, unsigned tries,
                                uint64_t seed)
{
    struct late_judge judge = {.day = day, .kept = kept};
    for (unsigned i = 0; i < tries; i++) {
        seed = seed * 6364136223846793005u + 1442695040888963407u;
        read_late(&judge, i % 8 == 0, &kept->record[(seed >> 33) % kept->n],
                  (uint16_t)(1 + (seed >> 20) % 64));
    }
    backlog_close(judge.backlog);
    return judge.compared;
}

uint64_t check_late_one_by_one(struct day *day, const struct kept_records *kept, size_t first)
{
    struct late_judge judge = {.day = day, .kept = kept};
    for (size_t i = first; i < kept->n; i++)
        read_late(&judge, true, &kept->record[i], 1);
    backlog_close(judge.backlog);
    return judge.compared;
}
