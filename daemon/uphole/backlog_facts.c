/* SPDX-License-Identifier: Apache-2.0
 *
 * backlog_facts.c - what a fold that goes on must be given from outside, row by row.
 *
 * Most facts are what the scans say, and a fold that folds them finds them again. Three kinds are
 * not: that measuring began anew (a plan was taken), what a person confirmed, and what a run made a
 * fact again of an earlier one. They are read once for the rest of a slice: such rows are rare, and
 * a question costs as much as a row.
 */
#include "backlog_inside.h"

/** Makes `known` reach from `from` to `scan`, and on to the slice's end where there is room. */
static enum up_rc know_facts(struct backlog *backlog, const struct scan *scan, uint64_t from,
                             struct up_error *error)
{
    struct known_facts *known = &backlog->known;
    if (known->well == scan->well && known->run == scan->run && known->from <= from &&
        known->to >= scan->pos)
        return UP_OK;
    known->well = 0;
    known->to = backlog->slice_to > scan->pos ? backlog->slice_to : scan->pos;
    enum up_rc rc =
        journal_read_outside_facts(backlog->reader, scan->well, scan->run, from, known->to,
                                   known->fact, OUTSIDE_FACTS_MAX, &known->n, error);
    if (rc == UP_OK && known->n == OUTSIDE_FACTS_MAX) { /* of the last row there may be more */
        known->to = scan->pos;
        rc = journal_read_outside_facts(backlog->reader, scan->well, scan->run, from, known->to,
                                        known->fact, OUTSIDE_FACTS_MAX, &known->n, error);
    }
    if (rc != UP_OK)
        return rc;
    if (known->n == OUTSIDE_FACTS_MAX)
        return UP_FAIL(error, UP_E_FULL, "row %llu of the journal bears more than %d facts",
                       (unsigned long long)scan->pos, OUTSIDE_FACTS_MAX - 1);
    known->well = scan->well;
    known->run = scan->run;
    known->from = from;
    return UP_OK;
}

static void load(struct kept_fold *kept, const struct known_facts *known, const struct scan *scan,
                 uint64_t from, uint64_t to)
{
    for (size_t i = 0; i < known->n; i++) {
        struct fact fact = known->fact[i];
        if (fact.pos < from || fact.pos > to || fact.kind == FACT_BEGUN_ANEW ||
            (kept->plan != 0 && !is_confirmation(&fact))) /* made under another plan */
            continue;
        backlog_correct_fact(&kept->view.times, scan, &fact);
        fold_load_fact(kept->fold, &fact);
    }
}

static bool is_anew(const struct known_facts *known, uint64_t pos)
{
    for (size_t i = 0; i < known->n; i++)
        if (known->fact[i].pos == pos && known->fact[i].kind == FACT_BEGUN_ANEW)
            return true;
    return false;
}

enum up_rc backlog_take_facts(struct backlog *backlog, struct kept_fold *kept,
                              const struct scan *scan, struct up_error *error)
{
    const uint64_t from = kept->pos != 0 && kept->pos < scan->pos ? kept->pos : scan->pos;
    enum up_rc rc = know_facts(backlog, scan, from, error);
    if (rc == UP_OK && backlog->known.n > 0)
        rc = backlog_look(backlog, &kept->view, scan->well, scan->pos, kept->as_of, error);
    if (rc != UP_OK || backlog->known.n == 0)
        return rc;
    load(kept, &backlog->known, scan, from, scan->pos - 1);
    /* As it did when this was live: core_plan.c. Under one plan over all nothing begins anew. */
    if (kept->plan == 0 && is_anew(&backlog->known, scan->pos))
        fold_begin_anew(kept->fold);
    load(kept, &backlog->known, scan, scan->pos, scan->pos);
    return UP_OK;
}
