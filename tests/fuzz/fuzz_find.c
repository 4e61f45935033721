/* SPDX-License-Identifier: Apache-2.0
 *
 * fuzz_find.c - what comes back from a line while find asks: judged as an answer of each kind, and
 * its identification taken apart.
 */
#include "../../daemon/commission/identify.h"
#include "../../daemon/commission/reply.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void judge(const struct asked *asked, const uint8_t *data, size_t size)
{
    struct reply reply;
    struct find_unit unit = {0};
    uint8_t next = 0;
    reply_judge(asked, data, size, &reply);
    if (reply.n > PDU_MAX || reply.stray > size || reply.zeros + reply.ones > reply.stray)
        abort();
    if ((reply.kind == REPLY_ANSWER || reply.kind == REPLY_EXCEPTION) &&
        reply.unit_id != asked->unit_id)
        abort();
    if (reply.kind == REPLY_ANSWER && asked->function != MODBUS_ENCAPSULATED &&
        reply.n != pdu_answer_length(&asked->request))
        abort();
    (void)identify_take(reply.pdu, reply.n, &unit, &next);
    for (unsigned i = 0; i < unit.n_objects; i++)
        for (const char *at = unit.object[i]; *at != '\0'; at++)
            if ((unsigned char)*at < 0x20 || *at == 0x7F)
                abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static const struct read_request REQUESTS[] = {{4, 0, 1}, {3, 100, 60}, {1, 0, 9}};
    struct asked asked;
    if (size < 1)
        return 0;
    const bool is_rtu = (data[0] & 1) != 0;
    const uint8_t unit_id = size > 1 ? data[1] : 1;
    for (size_t i = 0; i < sizeof REQUESTS / sizeof REQUESTS[0]; i++)
        if (asked_put_read(&asked, is_rtu, 1, unit_id, &REQUESTS[i]) > 0)
            judge(&asked, data + 1, size - 1);
    if (asked_put_identify(&asked, is_rtu, 1, unit_id, 0) > 0)
        judge(&asked, data + 1, size - 1);
    struct find_unit unit = {0};
    uint8_t next;
    (void)identify_take(data, size > PDU_MAX ? PDU_MAX : size, &unit, &next);
    return 0;
}
