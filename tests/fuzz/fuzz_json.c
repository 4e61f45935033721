/* SPDX-License-Identifier: Apache-2.0
 *
 * fuzz_json.c - any bytes into the JSON reader, then every question about what it found.
 */
#include "uphole/json.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct json_node nodes[256];
    struct json_doc doc;
    char text[64];
    char *copy = malloc(size + 1); /* of its own length, so that a read beyond is seen */
    if (copy == NULL)
        return 0;
    memcpy(copy, data, size);
    if (json_read(&doc, copy, size, nodes, 256, NULL) != UP_OK)
        doc.n = 0;
    for (uint32_t i = 0; i < doc.n; i++) {
        double number;
        uint64_t whole;
        bool flag;
        (void)json_get_text(&doc, i, text, sizeof text);
        (void)json_get_number(&doc, i, &number);
        (void)json_get_unsigned(&doc, i, &whole);
        (void)json_get_boolean(&doc, i, &flag);
        (void)json_member(&doc, i, "points");
        for (uint32_t item = json_first(&doc, i); item != JSON_MISSING;
             item = json_next(&doc, i, item))
            (void)json_is_text(&doc, item, "intake_pressure");
    }
    free(copy);
    return 0;
}
