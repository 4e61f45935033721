/* SPDX-License-Identifier: Apache-2.0
 *
 * replay_scans.c - `replay_scans CONFIG MAPS TRACE`: plays a trace and prints each scan that the
 * line hands over, for comparison with what the daemon journaled: outcome, ms, requests, stray
 * bytes, and blocks in hex (function, first, count, exception, words).
 */
#include "replay.h"

#include "check.h"

#include <inttypes.h>
#include <stdlib.h>

static void print_scan(void *context, const struct gathered *item)
{
    (void)context;
    if (item->kind != GATHERED_SCAN)
        return;
    const struct scan *scan = &item->scan;
    printf("%u %u %u %u ", scan->outcome, scan->took_ms, scan->tries, scan->stray);
    for (unsigned i = 0; i < scan->n_blocks; i++) {
        const struct block *block = &scan->block[i];
        printf("%02X%04X%04X%02X", block->function, block->first, block->count, block->exception);
        for (unsigned k = 0; block->exception == 0 && k < block->count; k++)
            printf("%04X", scan->words[block->at + k]);
    }
    putchar('\n');
}

static char *read_whole(const char *path, size_t *n)
{
    FILE *file = fopen(path, "re");
    char *text = malloc(TRACE_FILE_MAX);
    if (file == NULL || text == NULL) {
        fprintf(stderr, "%s can't be read\n", path);
        exit(1);
    }
    *n = fread(text, 1, TRACE_FILE_MAX, file);
    fclose(file);
    return text;
}

int main(int argc, char **argv)
{
    if (argc != 4)
        return 64;
    struct plan *plan = NULL;
    struct plan_faults *faults = calloc(1, sizeof *faults);
    struct up_error error = {0};
    struct trace_file file;
    struct replay_result result;
    size_t n;
    char *text = read_whole(argv[3], &n);
    if (faults == NULL || plan_from_file(argv[1], argv[2], &plan, faults) != UP_OK ||
        trace_file_read(text, n, argv[3], &file, &error) != UP_OK) {
        fprintf(stderr, "%s\n", error.rc != UP_OK ? error.why : "the configuration is refused");
        return 1;
    }
    for (uint16_t w = 0; w < plan->n_wells; w++)
        plan->wells[w].number = (uint16_t)(w + 1);
    replay_run(&file, argv[3], plan, print_scan, NULL, &result);
    if (result.failed)
        fprintf(stderr, "%s\n", result.failure);
    trace_file_free(&file);
    plan_free(plan);
    free(faults);
    free(text);
    return result.failed ? 1 : 0;
}
