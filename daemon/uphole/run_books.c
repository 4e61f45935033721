/* SPDX-License-Identifier: Apache-2.0
 *
 * run_books.c - the books are proven each day beside polling: `uphole audit` of the last day, in a
 * thread of its own with a reader of its own.
 *
 * It is the last in line: the lowest priority that there is, and after each slice it rests for four
 * times as long as that took, so it never has more than a fifth of a processor. Polling is
 * another thread's, and a reader never holds up the writer. Its memory is given back at its end.
 */
#include "audit.h"
#include "run_inside.h"

#include "uphole/say.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/syscall.h>
#include <unistd.h>

#define FIRST_AFTER_US INT64_C(60000000)
#define EVERY_US INT64_C(86400000000)
#define BACK_MS                                                                                    \
    INT64_C(90000000) /* 25 h: two days' audits overlap, so that no row lies between               \
                       */
#define REST_TIMES 4
#define REST_MOST_US 1000000

static bool rest(void *context)
{
    struct run_books *books = context;
    const int64_t worked_us = clock_boot_us(&books->clock) - books->slice_began_us;
    int64_t rest_us = worked_us > 0 ? worked_us * REST_TIMES : 0;
    rest_us = rest_us < REST_MOST_US ? rest_us : REST_MOST_US;
    while (rest_us > 0 && !atomic_load(&books->stop)) { /* a stop waits for a tenth of a second */
        const int64_t part_us = rest_us < 100000 ? rest_us : 100000;
        usleep((useconds_t)part_us);
        rest_us -= part_us;
    }
    books->slice_began_us = clock_boot_us(&books->clock);
    return !atomic_load(&books->stop);
}

static void sum_up(struct run_books *books, struct audit *audit)
{
    books->result = (struct wall_books){.verdict = audit_verdict(audit),
                                        .from_utc_ms = audit->asked.from_utc_ms};
    for (size_t i = 0; i < audit->n_sources; i++) {
        books->result.due += (uint64_t)audit->sources[i].due;
        books->result.rows += (uint64_t)audit->sources[i].rows;
        books->result.never += (uint64_t)audit->sources[i].never;
        books->result.damaged += (uint64_t)audit->sources[i].damaged;
    }
    books->sentence[0] = '\0';
    audit_sentence(audit, books->sentence, sizeof books->sentence);
}

static void *review(void *context)
{
    struct run_books *books = context;
    struct up_error error = {0};
    struct audit *audit = calloc(1, sizeof *audit);
    (void)setpriority(PRIO_PROCESS, (id_t)syscall(SYS_gettid), 19); /* of this thread alone */
    enum up_rc rc = UP_E_MEMORY;
    if (audit != NULL) {
        audit->asked =
            (struct audit_asked){.directory = books->directory,
                                 .no_chain = true, /* the writer proves it all the time */
                                 .has_from = true,
                                 .from_utc_ms = books->from_utc_ms};
        audit->go_on = rest;
        audit->context = books;
        books->slice_began_us = clock_boot_us(&books->clock);
        rc = audit_review(audit, &error);
    }
    if (rc == UP_OK)
        sum_up(books, audit);
    else
        snprintf(books->sentence, sizeof books->sentence, "%s", error.why);
    audit_free(audit);
    atomic_store(&books->ended, rc == UP_OK ? 1 : -1);
    return NULL;
}

static void begin(struct well_side *side, int64_t now_us)
{
    struct run_books *books = &side->books;
    const struct stamp now = stamp_take(&side->clock, &side->watch);
    books->next_us = now_us + EVERY_US;
    books->clock = side->clock;
    books->from_utc_ms = now.utc_ms - BACK_MS;
    snprintf(books->directory, sizeof books->directory, "%s", side->plan->journal.path);
    atomic_store(&books->ended, 0);
    atomic_store(&books->stop, false);
    books->runs = pthread_create(&books->thread, NULL, review, books) == 0;
}

/** Said once a day where all is well only as an event; what does not hold is said aloud. */
static void tell(struct well_side *side)
{
    struct run_books *books = &side->books;
    const struct wall_books *sums = &books->result;
    char text[GAP_CAUSE_MAX], from[STAMP_TEXT_MAX], damaged[40] = "";
    if (sums->damaged > 0)
        snprintf(damaged, sizeof damaged, ", %" PRIu64 " damaged", sums->damaged);
    stamp_to_short_text(sums->from_utc_ms, from);
    if (sums->verdict == BOOKS_DO_NOT_HOLD)
        snprintf(text, sizeof text,
                 "The books since %s do not hold: %.90s. Run 'uphole audit --last 25h'.", from,
                 books->sentence);
    else
        snprintf(text, sizeof text,
                 "The books since %s hold%s: %" PRIu64 " polls due, %" PRIu64 " rows, %" PRIu64
                 " never attempted%s.",
                 from, sums->verdict == BOOKS_UNDECIDED ? ", but for what no clock could tell" : "",
                 sums->due, sums->rows, sums->never, damaged);
    if (sums->verdict == BOOKS_DO_NOT_HOLD)
        say(SAY_ERROR, "journal", "%s", text);
    core_add_event(side->core, "books", "uphole", text, strlen(text));
}

void run_keep_books(struct well_side *side)
{
    struct run_books *books = &side->books;
    const int64_t now_us = clock_boot_us(&side->clock);
    if (books->next_us == 0 && side->safe)
        books->next_us = now_us + FIRST_AFTER_US;
    if (books->runs && atomic_load(&books->ended) != 0) {
        const bool good = atomic_load(&books->ended) > 0;
        pthread_join(books->thread, NULL);
        books->runs = false;
        if (!good) {
            say(SAY_WARNING, "journal", "The books could not be audited: %s.", books->sentence);
            return;
        }
        books->result.at_utc_ms = stamp_take(&side->clock, &side->watch).utc_ms;
        core_set_books(side->core, &books->result);
        tell(side);
    }
    if (!books->runs && books->next_us != 0 && now_us >= books->next_us &&
        !core_journal_refuses(side->core))
        begin(side, now_us);
}

void run_stop_books(struct well_side *side)
{
    if (!side->books.runs)
        return;
    atomic_store(&side->books.stop, true);
    pthread_join(side->books.thread, NULL);
    side->books.runs = false;
}
