/* SPDX-License-Identifier: Apache-2.0
 *
 * fuzz_loop.c - any bytes as the progress of a loop check: what is taken is written out again, as
 * JSON that is taken once more, and as a page without a foreign tag.
 */
#include "uphole/loop.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct loop_record record, again;
    static char text[LOOP_JSON_MAX];
    struct up_error error;
    if (loop_from_json((const char *)data, size, &record, &error) != UP_OK)
        return 0;
    const size_t n = loop_to_json(&record, text, sizeof text);
    if (n == 0 || loop_from_json(text, n, &again, &error) != UP_OK)
        abort();
    char *page = NULL;
    size_t length = 0;
    FILE *out = open_memstream(&page, &length);
    if (out == NULL)
        return 0;
    loop_print_page(out, &record);
    fclose(out);
    if (strstr(page, "<script") != NULL || strstr(page, "<img") != NULL)
        abort();
    free(page);
    return 0;
}
