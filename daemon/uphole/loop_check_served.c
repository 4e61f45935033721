/* SPDX-License-Identifier: Apache-2.0
 *
 * loop_check_served.c - the Modbus TCP table as SCADA's client reads it: over the network, by
 * function 3, test pattern first, then value and quality of a point in one answer.
 *
 * Header and slot are read in one request each; a slot counts only where the block's newest scan
 * was the same before and after it.
 */
#include "loop_check.h"

#include "uphole/table.h"

#include <inttypes.h>
#include <math.h>
#include <string.h>

#define ANSWER_MS 2000
#define TRIES 5
/* The block's header, as docs/table.md states it. */
enum { AT_LAYOUT = 0, AT_BLOCK = 1, AT_PATTERN = 2, AT_SEQ = 14, HEADER = 20 };
#define PATTERN 123456.0f

/** `n` registers from `first` on. */
static enum up_rc read_registers(struct loop_check *check, uint16_t first, uint16_t n,
                                 uint16_t *into, struct up_error *error)
{
    const struct read_request request = {MODBUS_READ_HOLDING_REGISTERS, first, n};
    uint8_t pdu[PDU_MAX], frame[TCP_ADU_MAX], exception = 0;
    struct port *port = check->port;
    size_t got = 0, whole = MBAP_SIZE;
    const size_t length = tcp_put_frame(frame, ++check->transaction, check->view->unit_id, pdu,
                                        pdu_put_read(pdu, &request));
    enum up_rc rc = port->send(port->context, frame, length, error);
    const int64_t until_us = clock_boot_us(&check->clock) + ANSWER_MS * 1000;
    while (rc == UP_OK && got < whole) {
        const ssize_t more =
            port->receive(port->context, frame + got, sizeof frame - got, until_us, error);
        if (more < 0)
            return UP_FAIL(error, UP_E_PORT,
                           "The table %s closed the connection. Where it has `allow`, the address "
                           "of this box must stand there too",
                           check->plan->destinations[check->served].name);
        if (more == 0)
            return UP_FAIL(error, UP_E_TIMEOUT, "The table %s does not answer within 2 s",
                           check->plan->destinations[check->served].name);
        got += (size_t)more;
        if (got >= MBAP_SIZE)
            whole = (size_t)MBAP_SIZE - 1 + get_u16(frame + 4);
        if (whole > sizeof frame)
            return UP_FAIL(error, UP_E_FRAME, "what answers at %s is no Modbus TCP table",
                           check->record->table.where);
    }
    if (rc != UP_OK)
        return rc;
    if (get_u16(frame) != check->transaction ||
        pdu_check_answer(&request, frame + MBAP_SIZE, got - MBAP_SIZE, &exception) !=
            ANSWER_MATCHES)
        return UP_FAIL(error, UP_E_FRAME,
                       "The table answers exception %02X to registers %u to %u of unit id %u",
                       exception, first, first + n - 1, check->view->unit_id);
    for (uint16_t i = 0; i < n; i++)
        into[i] = get_u16(frame + MBAP_SIZE + 2 + 2 * i);
    return UP_OK;
}

static float float_of(const struct loop_check *check, const uint16_t *words)
{
    return float_from_bits((uint32_t)get_registers(words, 2, check->view->words, BYTES_HIGH_FIRST));
}

static uint16_t block_of(const struct loop_check *check)
{
    return (uint16_t)(check->well->table_block * TABLE_BLOCK_REGISTERS);
}

static enum up_rc check_pattern(struct loop_check *check, struct up_error *error)
{
    uint16_t header[HEADER];
    const enum up_rc rc = read_registers(check, block_of(check), HEADER, header, error);
    if (rc != UP_OK)
        return rc;
    if (header[AT_LAYOUT] != TABLE_LAYOUT_VERSION ||
        header[AT_BLOCK] != check->well->table_block + 1)
        return UP_FAIL(error, UP_E_FRAME,
                       "The table's block %u does not say that it is well %s: it holds layout %u, "
                       "block %u",
                       check->well->table_block, check->well->id, header[AT_LAYOUT],
                       header[AT_BLOCK]);
    const float pattern = float_of(check, header + AT_PATTERN);
    if (pattern < PATTERN || pattern > PATTERN)
        return UP_FAIL(error, UP_E_FRAME,
                       "The test pattern reads 0x%04X 0x%04X at unit id %u, which is not 123456 in "
                       "the word order of this view",
                       header[AT_PATTERN], header[AT_PATTERN + 1], check->view->unit_id);
    return UP_OK;
}

enum up_rc served_open(struct loop_check *check, struct up_error *error)
{
    static const char *const ANY[] = {"0.0.0.0", "::", "*", ""};
    const struct destination_plan *to = &check->plan->destinations[check->served];
    struct line_plan *line = &check->table_line;
    if (check->port != NULL)
        return UP_OK;
    *line = (struct line_plan){
        .medium = LINE_MEDIUM_TCP, .port = to->port, .response_timeout_ms = ANSWER_MS};
    snprintf(line->name, sizeof line->name, "%s", to->name);
    snprintf(line->host, sizeof line->host, "%s", to->host);
    for (size_t i = 0; i < sizeof ANY / sizeof *ANY; i++)
        if (strcmp(to->host, ANY[i]) == 0) /* it listens everywhere: here as well */
            snprintf(line->host, sizeof line->host, "%s", i == 1 ? "::1" : "127.0.0.1");
    check->port = port_for_line(line, &check->clock, -1);
    if (check->port == NULL)
        return UP_FAIL(error, UP_E_MEMORY, "no memory for a connection to the table");
    enum up_rc rc = check->port->open(check->port->context, error);
    if (rc == UP_OK)
        rc = check_pattern(check, error);
    if (rc != UP_OK)
        served_close(check);
    return rc;
}

void served_close(struct loop_check *check)
{
    if (check->port == NULL)
        return;
    check->port->close(check->port->context);
    port_free(check->port);
    check->port = NULL;
}

static enum up_rc read_seq(struct loop_check *check, uint64_t *seq, struct up_error *error)
{
    uint16_t words[4];
    const enum up_rc rc =
        read_registers(check, (uint16_t)(block_of(check) + AT_SEQ), 4, words, error);
    if (rc == UP_OK)
        *seq = get_registers(words, 4, check->view->words, BYTES_HIGH_FIRST);
    return rc;
}

enum up_rc served_read(struct loop_check *check, unsigned point, struct served_slot *out,
                       struct up_error *error)
{
    uint16_t slot[TABLE_SLOT_REGISTERS];
    uint64_t after = 0;
    *out = (struct served_slot){.first = (uint16_t)(block_of(check) + TABLE_FIRST_SLOT +
                                                    TABLE_SLOT_REGISTERS * (point - 1))};
    for (int i = 0; i < TRIES; i++) {
        enum up_rc rc = served_open(check, error); /* an idle connection may have been closed */
        if (rc == UP_OK)
            rc = read_seq(check, &out->seq, error);
        if (rc == UP_OK)
            rc = read_registers(check, out->first, TABLE_SLOT_REGISTERS, slot, error);
        if (rc == UP_OK)
            rc = read_seq(check, &after, error);
        if (rc == UP_E_PORT && i == 0) {
            served_close(check);
            continue;
        }
        if (rc != UP_OK)
            return rc;
        if (after != out->seq)
            continue;
        out->words[0] = slot[0];
        out->words[1] = slot[1];
        out->value = (double)float_of(check, slot);
        out->quality = (uint8_t)slot[2];
        return UP_OK;
    }
    return UP_FAIL(error, UP_E_TIMEOUT, "The table changes faster than it can be read");
}
