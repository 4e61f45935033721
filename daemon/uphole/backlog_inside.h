/* SPDX-License-Identifier: Apache-2.0
 *
 * backlog_inside.h - the backlog's state, shared by backlog.c (rows as they come), backlog_order.c
 * (rows that an order sends once more) and backlog_view.c (rows as orders have made them), and the
 * way of folding that export and replay borrow. Nobody else includes it.
 */
#ifndef UPHOLE_BACKLOG_INSIDE_H
#define UPHOLE_BACKLOG_INSIDE_H

#include "backlog.h"

#include "uphole/measure.h"

#define PLANS_KEPT 4
#define FACTS_READ_MAX 1024

struct kept_plan {
    uint32_t id;
    uint64_t used; /* larger is younger */
    struct plan *plan;
};

struct kept_fold {
    uint64_t pos; /* of the last scan folded; 0: nothing */
    uint64_t run, seq;
    uint64_t
        as_of; /* scans are folded as the orders up to this pos have them; 0: as first measured */
    uint64_t recalculated; /* the recalculation (pos) in whose rows it stands, 0: none, */
    uint32_t plan;         /* and its plan, under which all is folded; 0: each scan's own */
    uint64_t order;        /* of a fold of orders: which, */
    uint16_t well;         /* and whose */
    struct row_view view;  /* that of the rows where it stands; high 0: not read yet */
    struct fold *fold;
};

/** The facts within [from, to] of a well's run that a fold can't make by itself, oldest first. */
#define OUTSIDE_FACTS_MAX 128
static inline bool is_confirmation(const struct fact *fact)
{
    return fact->kind >= FACT_UNIT_CONFIRMED && fact->kind <= FACT_UNIT_CONFIRMED_LAST;
}
struct known_facts {
    uint16_t well; /* 0: nothing is known */
    uint64_t run, from, to;
    size_t n;
    struct fact fact[OUTSIDE_FACTS_MAX];
};

struct backlog {
    struct backlog_options options;
    struct journal_reader *reader;
    struct kept_plan plans[PLANS_KEPT];
    uint64_t clock;                                 /* of use */
    struct kept_fold *folds;                        /* destination * n_wells + well index */
    struct kept_fold orders[PLAN_DESTINATIONS_MAX]; /* a destination works on one order at a time */
    struct row_order order[PLAN_DESTINATIONS_MAX];
    struct row_view newest[PLAN_DESTINATIONS_MAX]; /* of the rows where an order stands */
    bool is_gone;                                  /* the other side, while an order was served */
    struct known_facts known;
    uint64_t slice_to; /* last row of the slice being folded; the journal holds what goes with it */
    struct scan *scans; /* JOURNAL_SLICE_MAX */
    struct gap *gaps;   /* JOURNAL_SLICE_MAX */
    struct fact *facts; /* FACTS_READ_MAX */
    struct fact made[MEASURE_FACTS_MAX];
    struct scan corrected;
    struct record record;
    struct wall_message message;
};

/** Folds one scan; backlog->record is its record. */
enum up_rc backlog_fold_one(struct backlog *backlog, struct kept_fold *kept,
                            const struct scan *scan, struct up_error *error);
/** Brings a fold to just before `first`, from one window earlier. Uses backlog->scans. */
enum up_rc backlog_rebuild(struct backlog *backlog, struct kept_fold *kept,
                           const struct scan *first, struct up_error *error);
/** The plan `id`: the current one, or one of those that are kept. */
enum up_rc backlog_plan(struct backlog *backlog, uint32_t id, const struct plan **out,
                        struct up_error *error);
/** Folds one scan, whatever plan came with it. */
enum up_rc backlog_fold_on(struct backlog *backlog, struct kept_fold *kept, const struct scan *scan,
                           struct up_error *error);
/** backlog_facts.c: gives the fold what it can't find by itself between its last scan and this one, before it is folded: that measuring
 * began anew, what a person confirmed, what it had to doubt from before. */
enum up_rc backlog_take_facts(struct backlog *backlog, struct kept_fold *kept,
                              const struct scan *scan, struct up_error *error);
bool backlog_end_of_want(struct backlog *backlog, const struct wall_want *want, size_t sent,
                         uint64_t last, bool more);
enum up_rc backlog_serve_order(struct backlog *backlog, const struct wall_want *want,
                               struct up_error *error);

/* ---- backlog_view.c ---- */

/** `view` becomes that of the row at `pos`, where it is not; as_of 0: no order counts. */
enum up_rc backlog_look(struct backlog *backlog, struct row_view *view, uint16_t well, uint64_t pos,
                        uint64_t as_of, struct up_error *error);
/** A fact bears the label of the scan that made it; it is as far off as that scan's. */
void backlog_correct_fact(const struct row_order *times, const struct scan *of_run,
                          struct fact *fact);
/**
 * Makes `kept` stand just before `scan`, as the orders up to `as_of` have the rows (0: as first
 * measured). A recalculation's rows are folded from one window before its first row, wherever they
 * are wanted: that may be far, so at most `slices` are read, and *stands says whether it got there;
 * the next call goes on. Uses backlog->scans.
 */
enum up_rc backlog_stand(struct backlog *backlog, struct kept_fold *kept, const struct scan *scan,
                         uint64_t as_of, unsigned slices, bool *stands, struct up_error *error);

#endif
