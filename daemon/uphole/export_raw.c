/* SPDX-License-Identifier: Apache-2.0
 *
 * export_raw.c - scans as they stood on the wire, nothing scaled or judged; and rows as NDJSON.
 *
 * Words are written as 0x0040 0x12E5: a bare 12E5 is a number to a spreadsheet. A measured line of
 * NDJSON is a message `record` of one row, and a gap's is a message `gap`: one shape for one thing.
 */
#include "export.h"

#include "socket_text.h"

#include <inttypes.h>

/* Function, first, count, exception, words. */
#define CELLS_A_BLOCK 5
static const char *const RAW_HEAD[] = {"time_as_journaled",    "clock_as_journaled", "boot",
                                       "time_since_boot [ms]", "took [ms]",          "requests",
                                       "stray [bytes]"};
enum { N_RAW_HEAD = sizeof RAW_HEAD / sizeof *RAW_HEAD };
#define HEX_WORDS_MAX (7 * SCAN_WORDS_MAX + 1)

static unsigned words_of(const struct block *block)
{
    if (block->exception != 0)
        return 0;
    const bool is_bits = block->function == 1 || block->function == 2;
    const unsigned n = is_bits ? (block->count + 15u) / 16u : block->count;
    const unsigned room = block->at < SCAN_WORDS_MAX ? SCAN_WORDS_MAX - (unsigned)block->at : 0;
    return n < room ? n : room;
}

static const char *hex_of(const struct scan *scan, const struct block *block,
                          char into[static HEX_WORDS_MAX])
{
    struct socket_text text = {.at = into, .room = HEX_WORDS_MAX};
    into[0] = '\0';
    for (unsigned i = 0, n = words_of(block); i < n; i++)
        text_add(&text, i == 0 ? "0x%04X" : " 0x%04X", scan->words[block->at + i]);
    return into;
}

unsigned export_raw_columns(unsigned n_blocks)
{
    return N_RAW_HEAD + CELLS_A_BLOCK * n_blocks;
}

void export_raw_header(struct csv *csv, unsigned n_blocks)
{
    static const char *const CELLS[CELLS_A_BLOCK] = {"function", "first", "count", "exception",
                                                     "words [hex]"};
    for (unsigned i = 0; i < N_RAW_HEAD; i++)
        csv_text(csv, RAW_HEAD[i]);
    for (unsigned b = 0; b < n_blocks; b++)
        for (unsigned i = 0; i < CELLS_A_BLOCK; i++) {
            char name[48];
            snprintf(name, sizeof name, "block %u %s", b + 1, CELLS[i]);
            csv_text(csv, name);
        }
}

void export_raw_cells(struct csv *csv, const struct export_scan *row, unsigned n_blocks)
{
    const struct scan *scan = row->scan;
    char text[HEX_WORDS_MAX], at[STAMP_TEXT_MAX];
    csv_text(csv, stamp_to_text(scan->begun.utc_ms, at));
    csv_text(csv, clock_state_name(scan->begun.clock));
    snprintf(text, sizeof text, "%08" PRIx32, scan->begun.boot);
    csv_text(csv, text);
    csv_number(csv, "%" PRId64, scan->begun.boot_ms);
    csv_number(csv, "%" PRIu32, scan->took_ms);
    csv_number(csv, "%u", scan->tries);
    csv_number(csv, "%" PRIu32, scan->stray);
    for (unsigned b = 0; b < n_blocks; b++) {
        if (b >= scan->n_blocks) {
            csv_empty(csv, CELLS_A_BLOCK);
            continue;
        }
        const struct block *block = &scan->block[b];
        csv_number(csv, "%u", block->function);
        csv_number(csv, "%u", block->first);
        csv_number(csv, "%u", block->count);
        csv_number(csv, "%u", block->exception);
        csv_text(csv, hex_of(scan, block, text));
    }
}

/* ---- NDJSON ---- */

static void put_name(struct socket_text *text, const char *key, const char *value)
{
    text_add(text, ",\"%s\":", key);
    if (value == NULL)
        text_add(text, "null");
    else
        text_add_string(text, value);
}

static size_t raw_line(const struct export *export, const struct export_scan *row)
{
    const struct scan *scan = row->scan;
    struct socket_text text = {.at = export->line, .room = PAYLOAD_MAX};
    char at[STAMP_TEXT_MAX], hex[HEX_WORDS_MAX];
    text_add(&text, "{\"schema\":\"uphole/raw/1\"");
    put_name(&text, "site", export->plan->site);
    put_name(&text, "well", export->asked.well);
    put_name(&text, "source", source_name(scan->source));
    text_add(&text,
             ",\"run\":\"%016" PRIx64 "\",\"seq\":%" PRIu64 ",\"revision\":%u,\"plan\":\"%08" PRIx32
             "\"",
             scan->run, scan->seq, row->revision, row->plan_digest);
    if (row->by != NULL)
        put_name(&text, "by", row->by);
    put_name(&text, "time",
             export_time_is_known(&row->at) ? stamp_to_text(row->at.utc_ms, at) : NULL);
    put_name(&text, "clock", clock_state_name(row->at.clock));
    put_name(&text, "time_as_journaled", stamp_to_text(scan->begun.utc_ms, at));
    put_name(&text, "clock_as_journaled", clock_state_name(scan->begun.clock));
    text_add(&text, ",\"boot\":\"%08" PRIx32 "\",\"boot_ms\":%" PRId64 ",\"took_ms\":%" PRIu32,
             scan->begun.boot, scan->begun.boot_ms, scan->took_ms);
    put_name(&text, "outcome", outcome_name(scan->outcome));
    text_add(&text, ",\"heard\":%s,\"requests\":%u,\"stray_bytes\":%" PRIu32 ",\"blocks\":[",
             scan_was_overheard(scan) ? "true" : "false", scan->tries, scan->stray);
    for (unsigned b = 0; b < scan->n_blocks && b < SCAN_BLOCKS_MAX; b++) {
        const struct block *block = &scan->block[b];
        text_add(&text,
                 "%s{\"function\":%u,\"first\":%u,\"count\":%u,\"exception\":%u,\"words\":\"%s\"}",
                 b == 0 ? "" : ",", block->function, block->first, block->count, block->exception,
                 hex_of(scan, block, hex));
    }
    text_add(&text, "]}");
    return text.cut ? 0 : text.n;
}

static enum up_rc put_line(struct export *export, size_t length, uint64_t number,
                           struct up_error *error)
{
    if (length == 0)
        return UP_FAIL(error, UP_E_FULL, "row %" PRIu64 " is larger than a line may be", number);
    fwrite(export->line, 1, length, export->file);
    putc('\n', export->file);
    return UP_OK;
}

enum up_rc export_ndjson_scan(struct export *export, const struct export_scan *row,
                              struct up_error *error)
{
    size_t used = 0;
    const size_t length =
        export->asked.raw ? raw_line(export, row)
                          : payload_record_by(export->line, PAYLOAD_MAX, row->plan, &export->units,
                                              row->revision > 0 ? SENT_RECALCULATED : SENT_RESENT,
                                              row->by, row->record, 1, &used);
    return put_line(export, length, row->scan->pos, error);
}

enum up_rc export_ndjson_gap(struct export *export, const struct gap *gap, struct up_error *error)
{
    return put_line(export,
                    payload_gap(export->line, PAYLOAD_MAX, export->plan, gap,
                                gap->all_wells ? NULL : export->asked.well),
                    gap->pos, error);
}
