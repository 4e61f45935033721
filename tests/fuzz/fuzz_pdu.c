/* SPDX-License-Identifier: Apache-2.0
 *
 * fuzz_pdu.c - any bytes as frames and answers: lengths stay in bounds, don't change with more
 * bytes, and no verdict is made up.
 */
#include "uphole/pdu.h"

#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void check_length(int (*length_of)(const uint8_t *, size_t), const uint8_t *data,
                         size_t size)
{
    int told = 0;
    for (size_t have = 0; have <= size && have <= RTU_ADU_MAX + 2; have++) {
        int length = length_of(data, have);
        if (length < -1 || length > RTU_ADU_MAX || (length > 0 && length < 4) ||
            (told != 0 && length != told) || (length == 0 && have >= RTU_ADU_MAX))
            abort();
        told = length;
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    check_length(rtu_answer_length, data, size);
    check_length(rtu_request_length, data, size);
    (void)rtu_crc_is_right(data, size);
    for (uint8_t function = 1; function <= 4; function++) {
        struct read_request request = {function, 0, (uint16_t)(size > 1 ? data[1] / 2 + 1 : 1)};
        uint8_t exception;
        enum answer_verdict verdict = pdu_check_answer(&request, data, size, &exception);
        if ((verdict == ANSWER_MATCHES &&
             (size != pdu_answer_length(&request) || data[0] != function)) ||
            ((verdict == ANSWER_EXCEPTION) != (exception != 0)))
            abort();
    }
    return 0;
}
