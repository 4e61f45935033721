/* SPDX-License-Identifier: Apache-2.0
 *
 * inject.c - the fault script at work. Faults of one answer are applied in the script's order, all
 * that hold together; lasting faults begin and end at their edges. Chance is drawn from seed, rule
 * and count alone, so the same seed, script and instants give the same bytes.
 */
#include <string.h>

#include "line.h"
#include "uphole/wire.h"
#include "well.h"

#define CONTROLLER_BEGINS_US 300000 /* behind the start of serving */
#define CONTROLLER_PAUSE_US 20000   /* from question to question, at least: else until the answer */

static const char *line_name(const struct virtual_line *line)
{
    return line->options->line.name;
}

static uint64_t draw(struct virtual_line *line, unsigned rule)
{
    return simulate_mix(simulate_mix(line->seed + 0x5EED) ^ (uint64_t)rule << 48 ^
                        line->rule[rule].drawn++);
}
static double draw_share(struct virtual_line *line, unsigned rule)
{
    return simulate_share(draw(line, rule));
}
static int64_t draw_between(struct virtual_line *line, unsigned rule, int64_t low, int64_t high)
{
    return high <= low ? low : low + (int64_t)(draw(line, rule) % (uint64_t)(high - low + 1));
}

static void log_fault(struct virtual_line *line, int64_t at_us, const struct fault_rule *rule,
                      int unit_id, int64_t amount, const char *edge)
{
    line->counts.faults++;
    if (!line->log || !line->log->file)
        return;
    int64_t ms = line_unit_ms(at_us);
    fprintf(line->log->file, "{\"time_ms\":%lld,\"boot_ms\":%lld,\"line\":\"%s\",\"unit_id\":",
            (long long)(ms + line->log->to_utc_ms), (long long)(ms + line->log->to_boot_ms),
            line_name(line));
    if (unit_id >= 0)
        fprintf(line->log->file, "%d", unit_id);
    else
        fputs("null", line->log->file);
    fprintf(line->log->file,
            ",\"fault\":\"%s\",\"edge\":\"%s\",\"amount\":%lld,\"script_line\":%d}\n",
            fault_kind_name(rule->kind), edge, (long long)amount, (int)rule->script_line);
}

/* ---- one answer ---- */

static bool matches_line(const struct virtual_line *line, const struct fault_rule *rule)
{
    return rule->line[0] == '\0' || strcmp(rule->line, line_name(line)) == 0;
}

static bool matches_request(const struct fault_rule *rule, const struct exchange *exchange)
{
    const uint8_t *request = exchange->request;
    if (rule->unit != ANY && rule->unit != exchange->unit_id)
        return false;
    if (rule->function != ANY && rule->function != request[0])
        return false;
    if (rule->first_register == ANY)
        return true;
    if (exchange->request_n < 5 || request[0] < 1 || request[0] > 4)
        return false;
    int32_t first = get_u16(request + 1), last = first + get_u16(request + 3) - 1;
    return first <= rule->last_register && last >= rule->first_register;
}

/* True where the rule strikes this answer; a rule without `for` strikes once an occurrence. */
static bool strikes(struct virtual_line *line, unsigned index, const struct exchange *exchange,
                    int64_t at_us)
{
    const struct fault_rule *rule = &line->script->rule[index];
    struct rule_state *state = &line->rule[index];
    int64_t occurrence;
    if (rule->kind >= FAULT_FIRST_STATE || !matches_line(line, rule) ||
        !matches_request(rule, exchange))
        return false;
    if (!fault_rule_holds(rule, at_us - line->start_us, &occurrence))
        return false;
    bool once = rule->has_time && rule->for_us < 0 && rule->probability >= 1;
    if (once && occurrence <= state->used_occurrence)
        return false;
    if (rule->probability < 1 && draw_share(line, index) >= rule->probability)
        return false;
    state->used_occurrence = occurrence;
    return true;
}

/* What the struck answer becomes: frame bytes, when, and how often. */
struct struck {
    uint8_t bytes[OUTGOING_BYTES];
    size_t n, stray;
    int64_t late_us;
    size_t cut;
    bool twice, silent, bad_checksum;
};

static void strike(struct virtual_line *line, unsigned index, struct exchange *exchange,
                   struct struck *struck, int64_t at_us)
{
    const struct fault_rule *rule = &line->script->rule[index];
    int64_t amount = draw_between(line, index, rule->low, rule->high);
    int asked_unit = exchange->unit_id;
    switch (rule->kind) {
    case FAULT_LATE:
        struck->late_us += amount;
        amount /= 1000; /* ms in the log */
        break;
    case FAULT_DUPLICATE:
        struck->twice = true;
        break;
    case FAULT_TRUNCATED:
        struck->cut += (size_t)amount;
        break;
    case FAULT_FOREIGN_UNIT:
        exchange->unit_id = (uint8_t)(amount ? amount : exchange->unit_id % 247 + 1);
        break;
    case FAULT_WRONG_FUNCTION:
        exchange->pdu[0] =
            (uint8_t)(exchange->pdu[0] ^
                      7); /* 3 becomes 4, 4 becomes 3, an exception one to the other function */
        break;
    case FAULT_BAD_CHECKSUM:
        struck->bad_checksum = true;
        break;
    case FAULT_SILENCE:
        struck->silent = true;
        break;
    case FAULT_EXCEPTION:
        exchange->pdu[0] = (uint8_t)(exchange->request[0] | 0x80);
        exchange->pdu[1] = (uint8_t)amount;
        exchange->n = 2;
        break;
    case FAULT_STRAY:
        for (int64_t i = 0; i < amount && struck->stray < 64; i++)
            struck->bytes[struck->stray++] = (uint8_t)draw(line, index);
        break;
    default:
        return;
    }
    log_fault(line, at_us, rule, asked_unit, amount, "once");
}

static void put_frame(const struct virtual_line *line, const struct exchange *exchange,
                      struct struck *struck)
{
    uint8_t frame[TCP_ADU_MAX];
    size_t n;
    if (line->is_serial) {
        n = rtu_put_frame(frame, exchange->unit_id, exchange->pdu, exchange->n);
        if (struck->bad_checksum)
            frame[n - 1] ^= 0x5A;
    } else {
        uint16_t transaction = exchange->transaction; /* TCP has no checksum here: the transaction
                                                         number is what can be wrong */
        n = tcp_put_frame(frame, (uint16_t)(transaction + (struck->bad_checksum ? 1 : 0)),
                          exchange->unit_id, exchange->pdu, exchange->n);
    }
    n -= struck->cut < n ? struck->cut : n - 1; /* something always begins */
    memcpy(struck->bytes + struck->stray, frame, n);
    struck->n = struck->stray + n;
}

void inject_and_queue(struct virtual_line *line, struct exchange *exchange, int64_t due_us)
{
    struct struck struck = {.n = 0};
    for (unsigned i = 0; line->script && i < line->script->n; i++)
        if (strikes(line, i, exchange, due_us))
            strike(line, i, exchange, &struck, due_us);
    if (struck.silent)
        return;
    put_frame(line, exchange, &struck);
    line->counts.answers++;
    due_us += struck.late_us;
    line_queue(line, exchange->connection, due_us, struck.bytes, struck.n);
    if (struck.twice) {
        int64_t again_us =
            due_us + (int64_t)((double)struck.n * line->character_us + 0.5) + line->quiet_us + 1000;
        line_queue(line, exchange->connection, again_us, struck.bytes, struck.n);
    }
}

/* ---- lasting faults ---- */

static void for_each_unit(struct virtual_line *line, const struct fault_rule *rule,
                          void (*act)(struct virtual_unit *unit, int64_t time_ms, bool begins),
                          int64_t at_us, bool begins)
{
    for (unsigned i = 0; i < line->options->n_units; i++)
        if (rule->unit == ANY || rule->unit == virtual_unit_id(line->unit[i]))
            act(line->unit[i], line_unit_ms(at_us), begins);
}
static void lose_gauge(struct virtual_unit *unit, int64_t time_ms, bool begins)
{
    virtual_unit_set_gauge(unit, time_ms, !begins);
}
static void cycle_power(struct virtual_unit *unit, int64_t time_ms, bool begins)
{
    virtual_unit_set_alive(unit, !begins);
    if (!begins)
        virtual_unit_power_cycle(unit, time_ms);
}

static void forget_all(struct virtual_line *line)
{
    for (unsigned i = 0; i < SIMULATE_CONNECTIONS_MAX; i++)
        virtual_line_forget(line, i);
}

/** At its end each unit goes back to the setting with which it was made. */
static void set_units(struct virtual_line *line, const struct fault_rule *rule, int64_t at_us,
                      bool begins)
{
    for (unsigned i = 0; i < line->options->n_units; i++) {
        struct virtual_unit *unit = line->unit[i];
        if (rule->unit != ANY && rule->unit != virtual_unit_id(unit))
            continue;
        if (begins)
            virtual_unit_set_setting(unit, line_unit_ms(at_us), (uint16_t)rule->low,
                                     rule->kind != FAULT_UNIT_SHOWN,
                                     rule->kind != FAULT_UNIT_VALUES);
        else
            virtual_unit_reset_setting(unit, line_unit_ms(at_us));
    }
}

static void edge(struct virtual_line *line, unsigned index, int64_t at_us, bool begins)
{
    const struct fault_rule *rule = &line->script->rule[index];
    line->rule[index].is_on = begins;
    log_fault(line, at_us, rule, rule->unit, 0, begins ? "begins" : "ends");
    if (rule->kind == FAULT_GAUGE_LOST) {
        for_each_unit(line, rule, lose_gauge, at_us, begins);
    } else if (rule->kind == FAULT_POWER_CYCLE) {
        for_each_unit(line, rule, cycle_power, at_us, begins);
        if (begins && rule->for_us < 0) /* off and on in one instant */
            for_each_unit(line, rule, cycle_power, at_us, false);
    } else if (rule->kind >= FAULT_UNIT_SETTING && rule->kind <= FAULT_UNIT_SHOWN) {
        set_units(line, rule, at_us, begins);
    } else if (rule->kind == FAULT_CONVERTER_GONE) {
        line->is_plugged = !begins;
        forget_all(line);
    } else if (rule->kind == FAULT_SECOND_MASTER) {
        line->rule[index].next_foreign_us = begins ? at_us : NEVER;
    }
}

void inject_begin(struct virtual_line *line)
{
    const struct simulate_controller *controller = &line->options->controller;
    bool has_controller = line->is_serial && controller->every_ms && controller->n_questions;
    line->controller_due_us = line->controller_next_us =
        has_controller ? line->start_us + CONTROLLER_BEGINS_US : NEVER;
    for (unsigned i = 0; line->script && i < line->script->n; i++) {
        const struct fault_rule *rule = &line->script->rule[i];
        line->rule[i] = (struct rule_state){
            .used_occurrence = -1, .next_edge_us = NEVER, .next_foreign_us = NEVER};
        if (rule->kind < FAULT_FIRST_STATE || !matches_line(line, rule))
            continue;
        line->rule[i].next_edge_us = line->start_us + (rule->has_time ? rule->at_us : 0);
    }
}

static void take_edge(struct virtual_line *line, unsigned index)
{
    const struct fault_rule *rule = &line->script->rule[index];
    struct rule_state *state = &line->rule[index];
    int64_t at_us = state->next_edge_us, since_us = at_us - line->start_us, occurrence;
    edge(line, index, at_us, fault_rule_holds(rule, since_us, &occurrence));
    int64_t next = fault_rule_next_edge(rule, since_us);
    state->next_edge_us = next == NEVER ? NEVER : line->start_us + next;
}

int64_t inject_next_us(const struct virtual_line *line)
{
    int64_t next = line->controller_next_us;
    for (unsigned i = 0; line->script && i < line->script->n; i++) {
        if (line->rule[i].next_edge_us < next)
            next = line->rule[i].next_edge_us;
        if (line->rule[i].next_foreign_us < next)
            next = line->rule[i].next_foreign_us;
    }
    return next;
}

/* The other master waits for a quiet line, as ours does. */
static void take_foreign(struct virtual_line *line, unsigned index)
{
    struct rule_state *state = &line->rule[index];
    int64_t at_us = state->next_foreign_us;
    if (line->is_serial && line->is_plugged && line_is_idle(line, at_us)) {
        const struct fault_rule *rule = &line->script->rule[index];
        exchange_foreign(line, at_us);
        state->next_foreign_us = at_us + draw_between(line, index, rule->low, rule->high);
    } else {
        state->next_foreign_us = at_us + (line->quiet_us ? line->quiet_us : 10000);
    }
}

/* The line's own controller: its questions one behind the other, a round each period. */
static void take_controller(struct virtual_line *line)
{
    const struct simulate_controller *controller = &line->options->controller;
    int64_t at_us = line->controller_next_us;
    if (!line->is_plugged || !line_is_idle(line, at_us)) {
        line->controller_next_us = at_us + line->quiet_us + 1000;
        return;
    }
    exchange_controller(line, at_us);
    if (++line->controller_turn < controller->n_questions) {
        line->controller_next_us = at_us + CONTROLLER_PAUSE_US;
        return;
    }
    line->controller_turn = 0;
    while (line->controller_due_us <= at_us)
        line->controller_due_us += (int64_t)controller->every_ms * 1000;
    line->controller_next_us = line->controller_due_us;
}

#define EVENTS_AT_ONCE_MAX 100000 /* one jump of time; beyond it events wait for the next call */

void inject_advance(struct virtual_line *line, int64_t now_us)
{
    for (unsigned events = 0; events < EVENTS_AT_ONCE_MAX; events++) {
        int64_t event_us = inject_next_us(line);
        int64_t ready_us = exchange_ready_us(line, 0);
        if (ready_us <= now_us && ready_us <= event_us) {
            exchange_take(line, 0, ready_us);
            continue;
        }
        if (event_us > now_us)
            break;
        if (event_us == line->controller_next_us) {
            take_controller(line);
            continue;
        }
        for (unsigned i = 0; i < line->script->n; i++) {
            if (line->rule[i].next_edge_us == event_us) {
                take_edge(line, i);
                break;
            }
            if (line->rule[i].next_foreign_us == event_us) {
                take_foreign(line, i);
                break;
            }
        }
    }
    if (now_us > line->now_us)
        line->now_us = now_us;
    for (unsigned i = 0; i < line->options->n_units; i++)
        if (line->log)
            virtual_unit_step(line->unit[i], line_unit_ms(now_us));
}
