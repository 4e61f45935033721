/* SPDX-License-Identifier: Apache-2.0
 *
 * core_wall.c - core's half of the wall: snapshots, state and "more" out; wants, acceptances and
 * destination states back.
 *
 * What comes back is untrusted: wall_receive has checked shapes, here meanings are checked. A
 * cursor only moves forward, never past what is committed, and only once publishing is safe.
 */
#include "core_inside.h"

#include "uphole/say.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

#define MESSAGES_A_STEP_MAX 256

bool core_destination_acknowledges(const struct core *core, uint16_t destination)
{
    return core->options.plan->destinations[destination].medium == DESTINATION_MQTT;
}

uint64_t core_waiting(const struct core *core, uint16_t destination, uint16_t well_index)
{
    const uint64_t newest = core_newest_seq(core, well_index);
    const uint64_t accepted = core->destinations[destination].cursor[0][well_index].seq;
    return newest > accepted ? newest - accepted : 0;
}

static void lost(struct core *core)
{
    core->wall_up = false;
    core->wall = -1;
}

/** True if it went; a full wall keeps the message for later, a gone one is noted. */
bool core_out(struct core *core)
{
    if (core->wall < 0)
        return false;
    core->message.plan_serial = core->wall_plans.serial;
    const enum up_rc rc = wall_send(core->wall, &core->message);
    if (rc == UP_E_PORT)
        lost(core);
    return rc == UP_OK;
}

bool core_pause_destination(struct core *core, uint16_t destination, const struct stamp *until,
                            const char *by)
{
    if (!core->wall_up)
        return false;
    core->message.kind = WALL_PAUSE;
    core->message.pause = (struct wall_pause){
        .destination = destination, .until_boot_ms = until->boot_ms, .until_utc_ms = until->utc_ms};
    snprintf(core->message.pause.by, sizeof core->message.pause.by, "%s", by);
    return core_out(core);
}

static void send_more(struct core *core, const struct core_well *well)
{
    core->message.kind = WALL_MORE;
    core->message.more = (struct wall_more){.well = well->plan->number,
                                            .newest_scan_pos = well->newest_pos,
                                            .newest_scan_seq = atomic_load(&well->newest_seq),
                                            .newest_gap_pos = well->newest_gap_pos};
    (void)core_out(core); /* said again with the next snapshot */
}

void core_send_snapshots(struct core *core)
{
    const struct stamp now = stamp_take(core->options.clock, &core->watch);
    for (int i = 0; i < core->options.plan->n_wells; i++) {
        struct core_well *well = &core->wells[i];
        if (!well->snapshot_due)
            continue;
        measure_at(well->fold, core->options.plan, well->plan, core->options.run, &now,
                   !core->refusing, &well->snapshot);
        core_tell_states(core, well);
        if (core->refusing) /* the refused scan's number was never stored: another will bear it */
            well->snapshot.seq = 0;
        well->snapshot.gaps_open =
            (uint32_t)ledger_open_of_well(core->options.ledger, well->plan->number);
        if (!core->safe || core->wall < 0) {
            well->snapshot_due = core->wall < 0 ? false : well->snapshot_due;
            continue;
        }
        core->message.kind = WALL_SNAPSHOT;
        core->message.snapshot = well->snapshot;
        if (!core_out(core))
            continue;
        core->counts.snapshots++;
        well->snapshot_due = false;
        send_more(core, well);
    }
}

static uint8_t delivery_state(const struct core *core, uint16_t destination, uint64_t waiting,
                              bool late)
{
    const struct core_destination *to = &core->destinations[destination];
    if (!core->wall_up || to->state == DELIVERY_DOWN)
        return DELIVERY_DOWN;
    if (to->state == DELIVERY_STOPPED || to->state == DELIVERY_UNKNOWN)
        return to->state;
    return waiting > 0 && late ? DELIVERY_CATCHING_UP : DELIVERY_UP;
}

static bool is_late(const struct core *core, uint16_t destination, uint16_t well, int64_t now_ms)
{
    const struct core_cursor *cursor = &core->destinations[destination].cursor[0][well];
    return core_waiting(core, destination, well) > 0 && cursor->waiting_since.boot_ms != 0 &&
           now_ms - cursor->waiting_since.boot_ms > DELIVERY_GAP_AFTER_MS;
}

void core_send_state(struct core *core)
{
    if (core->wall < 0)
        return;
    const struct stamp now = stamp_take(core->options.clock, &core->watch);
    struct wall_state *state = &core->message.state;
    core->message.kind = WALL_STATE;
    memset(state, 0, sizeof *state);
    state->clock = now.clock;
    state->journal_ok = !core->refusing;
    state->days_left = core->days_left;
    state->heartbeat = core->heartbeat;
    memcpy(&state->books, &core->books, sizeof state->books);
    state->n_destinations = core->options.plan->n_destinations;
    state->n_wells = core->options.plan->n_wells;
    for (uint16_t w = 0; w < state->n_wells; w++) {
        state->well[w].well = core->wells[w].plan->number;
        state->well[w].gaps_open =
            (uint16_t)ledger_open_of_well(core->options.ledger, core->wells[w].plan->number);
    }
    for (uint16_t d = 0; d < state->n_destinations; d++) {
        if (!core_destination_acknowledges(core,
                                           d)) { /* a table: is it served? Nothing waits for it */
            state->destination[d].state =
                core->wall_up ? core->destinations[d].state : DELIVERY_DOWN;
            continue;
        }
        uint64_t all = 0;
        bool late = false;
        for (uint16_t w = 0; w < state->n_wells; w++) {
            const uint64_t waiting = core_waiting(core, d, w);
            const bool well_late = is_late(core, d, w, now.boot_ms);
            const uint8_t of_well = delivery_state(core, d, waiting, well_late);
            all += waiting;
            late = late || well_late;
            if (of_well > state->well[w].delivery)
                state->well[w].delivery = of_well;
            if (waiting > state->well[w].waiting)
                state->well[w].waiting = waiting > UINT32_MAX ? UINT32_MAX : (uint32_t)waiting;
        }
        state->destination[d].state = delivery_state(core, d, all, late);
        state->destination[d].waiting = all > UINT32_MAX ? UINT32_MAX : (uint32_t)all;
    }
    (void)core_out(core); /* the next one comes in a second */
}

void core_forget_refusals(struct core *core, uint16_t destination)
{
    for (int s = 0; s < 2; s++)
        for (int w = 0; w < core->options.plan->n_wells; w++)
            core->destinations[destination].cursor[s][w].refusal[0] = '\0';
}

/** Why records of a well wait: its own topic is refused, or what is known of the connection. */
static uint8_t why_it_waits(const struct core *core, uint16_t destination, uint16_t well,
                            char *sentence, size_t room)
{
    const struct core_destination *to = &core->destinations[destination];
    const struct core_cursor *cursor = &to->cursor[0][well];
    if (!core->wall_up) {
        snprintf(sentence, room, "The SCADA side of Uphole was down.");
        return CAUSE_SCADA_SIDE_DOWN;
    }
    if (to->state == DELIVERY_UP && cursor->refusal[0] != '\0') {
        snprintf(sentence, room, "%.199s", cursor->refusal);
        return cursor->refusal_cause;
    }
    if (to->reason[0] != '\0')
        snprintf(sentence, room, "%.199s", to->reason);
    else
        snprintf(sentence, room, "%s did not accept every record.",
                 core->options.plan->destinations[destination].name);
    /* A pause is over once it is back: what is left of it only has to be sent. */
    return to->state == DELIVERY_UP && to->cause == CAUSE_PAUSED ? CAUSE_NONE : to->cause;
}

static void end_reason(struct core_destination *to)
{
    to->reason[0] = '\0';
    if (to->cause == CAUSE_PAUSED)
        to->cause = CAUSE_UNREACHABLE;
}

/** Since when something waits, and the ledger's delivery rows. */
void core_see_deliveries(struct core *core, const struct stamp *now)
{
    for (uint16_t d = 0; d < core->options.plan->n_destinations; d++) {
        struct core_destination *to = &core->destinations[d];
        bool any = false;
        if (!core_destination_acknowledges(core, d))
            continue;
        for (uint16_t w = 0; w < core->options.plan->n_wells; w++) {
            struct core_cursor *cursor = &to->cursor[0][w];
            const bool waiting = core_waiting(core, d, w) > 0;
            any = any || waiting;
            if (!waiting)
                cursor->waiting_since = (struct stamp){0};
            else if (cursor->waiting_since.boot_ms == 0)
                cursor->waiting_since =
                    core->wells[w].batch_begun.boot_ms != 0 ? core->wells[w].batch_begun : *now;
            char sentence[GAP_CAUSE_MAX];
            const uint8_t cause = why_it_waits(core, d, w, sentence, sizeof sentence);
            ledger_see_delivery(core->options.ledger, core->options.plan->destinations[d].name,
                                core->wells[w].plan->number, waiting, &cursor->waiting_since,
                                cursor->seq, core_newest_seq(core, w), now, cause, sentence);
        }
        if (!any && core->wall_up && to->state == DELIVERY_UP)
            end_reason(to); /* over: it is not the reason of a later wait */
    }
}

static void accepted(struct core *core, const struct wall_accepted *message)
{
    const int w = core_well_index(core, message->well);
    if (w < 0 || message->destination >= core->options.plan->n_destinations || !core->safe ||
        message->stream < STREAM_RECORD || message->stream > STREAM_ORDER) {
        core->counts.bad_messages++;
        return;
    }
    if (message->stream == STREAM_ORDER) {
        core->counts.bad_messages += !resend_accepted(core, message, (uint16_t)w);
        return;
    }
    struct core_cursor *cursor =
        &core->destinations[message->destination].cursor[message->stream - 1][w];
    const bool is_record = message->stream == STREAM_RECORD;
    const uint64_t newest = journal_newest_pos(core->options.journal);
    if (message->pos <= cursor->pos || message->pos > newest ||
        (is_record &&
         (message->seq < cursor->seq || message->seq > core_newest_seq(core, (uint16_t)w)))) {
        core->counts.bad_messages++;
        return;
    }
    cursor->pos = message->pos;
    cursor->seq = is_record ? message->seq : 0;
    cursor->dirty = true;
    cursor->refusal[0] = '\0';
    core->counts.accepted++;
    if (!is_record)
        return;
    const struct stamp now = stamp_take(core->options.clock, &core->watch);
    ledger_end_aside(core->options.ledger,
                     core->options.plan->destinations[message->destination].name, message->well,
                     message->seq, &now);
    /* The oldest that still waits came after the accepted row: its time is a lower bound, so a wait
     * is never under-reported by much. */
    const int64_t now_ms = clock_boot_ms(core->options.clock);
    if (message->boot_ms > 0 && message->boot_ms <= now_ms && cursor->waiting_since.boot_ms != 0 &&
        message->boot_ms > cursor->waiting_since.boot_ms) {
        const int64_t by_ms = message->boot_ms - cursor->waiting_since.boot_ms;
        cursor->waiting_since.boot_ms += by_ms;
        cursor->waiting_since.utc_ms += by_ms;
    }
}

/* A record that the receiver will never take: it is passed over, and the ledger says so. */
static void set_aside(struct core *core, const struct wall_refused *message)
{
    char sentence[GAP_CAUSE_MAX];
    const int w = core_well_index(core, message->well);
    struct core_cursor *cursor = &core->destinations[message->destination].cursor[0][w];
    if (message->stream != STREAM_RECORD || !core->safe || message->pos <= cursor->pos ||
        message->aside_seq <= cursor->aside_seq ||
        message->aside_seq > core_newest_seq(core, (uint16_t)w)) {
        core->counts.bad_messages++; /* or told twice */
        return;
    }
    cursor->aside_seq = message->aside_seq;
    say_escape(sentence, sizeof sentence, message->reason,
               strnlen(message->reason, sizeof message->reason));
    ledger_set_aside(core->options.ledger,
                     core->options.plan->destinations[message->destination].name, message->well,
                     message->aside_seq, &message->aside_at, sentence);
}

static void refused(struct core *core, const struct wall_refused *message)
{
    char reason[160];
    if (core_well_index(core, message->well) < 0 ||
        message->destination >= core->options.plan->n_destinations) {
        core->counts.bad_messages++;
        return;
    }
    core->counts.refused++;
    if (message->aside_seq != 0) {
        set_aside(core, message);
        return;
    }
    say_escape(reason, sizeof reason, message->reason,
               strnlen(message->reason, sizeof message->reason));
    if (message->stream != STREAM_RECORD && message->stream != STREAM_GAP)
        return; /* rows sent again: their first sending is what waits, or nothing is */
    const int w = core_well_index(core, message->well);
    struct core_cursor *cursor =
        &core->destinations[message->destination].cursor[message->stream - 1][w];
    cursor->refusal_cause = message->code == 0x10   ? CAUSE_NO_SUBSCRIBER
                            : message->code == 0x97 ? CAUSE_QUOTA
                                                    : CAUSE_NOT_AUTHORISED;
    snprintf(cursor->refusal, sizeof cursor->refusal, "%s", reason);
}

static void destination(struct core *core, const struct wall_destination *message)
{
    if (message->destination >= core->options.plan->n_destinations ||
        message->state > DELIVERY_STOPPED) {
        core->counts.bad_messages++;
        return;
    }
    struct core_destination *to = &core->destinations[message->destination];
    if (message->month > to->month ||
        (message->month == to->month && message->month_bytes > to->month_bytes)) {
        to->month = message->month;
        to->month_bytes = message->month_bytes;
        to->month_dirty = true;
    }
    if (to->state != message->state) {
        to->since = stamp_take(core->options.clock, &core->watch);
        core_forget_refusals(core, message->destination); /* a new connection tells anew */
    }
    to->state = message->state;
    if (message->state != DELIVERY_UP || to->cause != CAUSE_PAUSED)
        to->cause = message->cause < CAUSE_COUNT && message->cause != CAUSE_NONE
                        ? message->cause
                        : CAUSE_UNREACHABLE;
    if (message->state != DELIVERY_UP)
        say_escape(to->reason, sizeof to->reason, message->reason,
                   strnlen(message->reason, sizeof message->reason));
    core_see_refusals(core, to, message);
}

bool core_serve_wall(struct core *core)
{
    bool only_rows = true;
    for (int i = 0; i < MESSAGES_A_STEP_MAX && core->wall >= 0; i++) {
        const enum up_rc rc = wall_receive(core->wall, &core->message);
        if (rc == UP_E_TIMEOUT)
            break;
        if (rc == UP_E_PORT) {
            lost(core);
            break;
        }
        core->wall_silence_s = 0;
        if (rc != UP_OK) {
            core->counts.bad_messages++;
            continue;
        }
        if (!wall_plans_bring_up(&core->wall_plans, &core->message))
            continue; /* of a plan that is no longer in force */
        switch (core->message.kind) {
        case WALL_WANT:
            core->options.want(core->options.want_context, &core->message.want);
            break;
        case WALL_ACCEPTED:
            only_rows = only_rows && core->message.accepted.stream != STREAM_ORDER;
            accepted(core, &core->message.accepted);
            break;
        case WALL_REFUSED:
            only_rows = false;
            refused(core, &core->message.refused);
            break;
        case WALL_DESTINATION:
            only_rows = false;
            destination(core, &core->message.destination);
            break;
        case WALL_ALIVE:
            break;
        default:
            core->counts.bad_messages++;
            break;
        }
    }
    return only_rows && core->wall >= 0;
}
