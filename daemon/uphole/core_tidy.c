/* SPDX-License-Identifier: Apache-2.0
 *
 * core_tidy.c - upkeep of the journal between two commits: older scans are sealed, sealed blocks
 * are proven one after another for ever, and what is found damaged is told once.
 *
 * Bounded: after a second's commit a few steps of sealing at most, and no further one where they
 * took their time. Nothing of it is in anybody's way: what waits comes a second later.
 */
#include "core_inside.h"

#include "uphole/say.h"

#include <string.h>

#define TIDY_EVERY_US 1000000
#define TIDY_STEPS_MAX 4
#define TIDY_BUDGET_US 20000
#define PROOF_EVERY_US 10000000

void core_found_damage(struct core *core, const struct journal_damage *damage)
{
    struct core_tidy *tidy = &core->tidy;
    pthread_mutex_lock(&tidy->lock);
    if (tidy->n_found < CORE_DAMAGES_MAX) /* else its reader, or the proof, finds it again */
        tidy->found[tidy->n_found++] = *damage;
    pthread_mutex_unlock(&tidy->lock);
}

static bool take_found(struct core *core, struct journal_damage *damage)
{
    struct core_tidy *tidy = &core->tidy;
    pthread_mutex_lock(&tidy->lock);
    const bool any = tidy->n_found > 0;
    if (any)
        *damage = tidy->found[--tidy->n_found];
    pthread_mutex_unlock(&tidy->lock);
    return any;
}

/** Damage that was found and not told yet becomes a ledger row and an event of the next commit. */
static void tell_damage(struct core *core)
{
    struct core_tidy *tidy = &core->tidy;
    const char *cause = NULL;
    if (tidy->tells || !core_has_room_for_event(core) ||
        !journal_untold_damage(core->options.journal, &tidy->told) ||
        !ledger_damage(core->options.ledger, &tidy->told, &cause))
        return;
    tidy->tells = true;
    say(SAY_ERROR, "journal", "%s", cause);
    core_add_event(core, "damaged", "journal", cause, strlen(cause));
}

const struct journal_damage *core_tidy_telling(const struct core *core)
{
    for (size_t i = 0; core->tidy.tells && i < core->n_gaps; i++)
        if (core->gaps[i].kind == GAP_DAMAGED)
            return &core->tidy.told;
    return NULL;
}

void core_tidy_told(struct core *core)
{
    core->tidy.tells = false;
}

/** False: the journal takes nothing now. */
static bool seal_some(struct core *core, int64_t now_us)
{
    struct up_error error = {0};
    bool more = true;
    enum up_rc rc = UP_OK;
    for (int i = 0; rc == UP_OK && more && i < TIDY_STEPS_MAX; i++) {
        rc = journal_seal(core->options.journal, &more, &error);
        more = more && clock_boot_us(core->options.clock) - now_us < TIDY_BUDGET_US;
    }
    return rc == UP_OK; /* what is wrong the next commit says, and acts upon */
}

void core_tidy_step(struct core *core, int64_t now_us)
{
    struct core_tidy *tidy = &core->tidy;
    struct journal_damage damage;
    struct up_error error = {0};
    if (core->refusing || !core->safe || now_us < tidy->next_us)
        return;
    tidy->next_us = now_us + TIDY_EVERY_US;
    if (!seal_some(core, now_us))
        return;
    if (now_us >= tidy->next_proof_us) {
        tidy->next_proof_us = now_us + PROOF_EVERY_US;
        if (journal_prove_next(core->options.journal, &error) != UP_OK)
            return;
    }
    while (take_found(core, &damage))
        if (journal_note_damage(core->options.journal, damage.kind, damage.number, &error) != UP_OK)
            return;
    tell_damage(core);
}
