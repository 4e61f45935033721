/* SPDX-License-Identifier: Apache-2.0
 *
 * export_csv.c - rows as RFC 4180: a header, a comma between fields, CR LF behind each row, UTF-8.
 *
 * A cell of text that a spreadsheet would run as a formula, or would turn into a number, gets an
 * apostrophe before it; so does one that begins with an apostrophe. So whoever takes one leading
 * apostrophe from a cell of text has the text. Cells of numbers are never touched.
 * Source: OWASP, "CSV Injection": cells that begin with = + - @, tab, CR or LF.
 */
#include "export.h"

#include <inttypes.h>
#include <math.h>
#include <stdarg.h>
#include <string.h>

/* ---- cells ---- */

static void separate(struct csv *csv)
{
    if (csv->is_begun)
        putc(',', csv->file);
    csv->is_begun = true;
}

/** Digits, and one e among them: an identity such as 1234e567 would become a number, or infinity.
 */
static bool looks_like_a_number(const char *text)
{
    const size_t n = strspn(text, "0123456789");
    if (n == 0)
        return false;
    if (text[n] == '\0')
        return true;
    return (text[n] == 'e' || text[n] == 'E' || text[n] == '.') &&
           text[n + 1 + strspn(text + n + 1, "0123456789")] == '\0';
}

static bool is_guarded(const char *text)
{
    return strchr("=+-@\t\r\n'", text[0]) != NULL || looks_like_a_number(text);
}

/** Bytes of the well-formed UTF-8 character at `at` (Unicode 15, table 3-7), or 0. A NUL ends the
 * text, and is no continuation. */
static size_t utf8_length(const unsigned char *at)
{
    static const struct {
        unsigned char from, to, low, high, n;
    } ROWS[] = {
        {0x01, 0x7F, 0, 0, 1},       {0xC2, 0xDF, 0x80, 0xBF, 2}, {0xE0, 0xE0, 0xA0, 0xBF, 3},
        {0xE1, 0xEC, 0x80, 0xBF, 3}, {0xED, 0xED, 0x80, 0x9F, 3}, {0xEE, 0xEF, 0x80, 0xBF, 3},
        {0xF0, 0xF0, 0x90, 0xBF, 4}, {0xF1, 0xF3, 0x80, 0xBF, 4}, {0xF4, 0xF4, 0x80, 0x8F, 4}};
    for (size_t i = 0; i < sizeof ROWS / sizeof *ROWS; i++) {
        if (at[0] < ROWS[i].from || at[0] > ROWS[i].to)
            continue;
        if (ROWS[i].n > 1 && (at[1] < ROWS[i].low || at[1] > ROWS[i].high))
            return 0;
        for (size_t more = 2; more < ROWS[i].n; more++)
            if ((at[more] & 0xC0) != 0x80)
                return 0;
        return ROWS[i].n;
    }
    return 0;
}

/** A byte that is no UTF-8 (a sentence that was cut) becomes U+FFFD: else the whole file would not
 * read. */
static void put_text(FILE *file, const char *text)
{
    while (*text != '\0') {
        const size_t n = utf8_length((const unsigned char *)text);
        if (n == 0)
            fputs("\xEF\xBF\xBD", file);
        else if (*text == '"')
            fputs("\"\"", file);
        else
            fwrite(text, 1, n, file);
        text += n > 0 ? n : 1;
    }
}

void csv_text(struct csv *csv, const char *text)
{
    separate(csv);
    if (text == NULL || text[0] == '\0')
        return;
    const bool is_quoted = strpbrk(text, ",\"\r\n") != NULL;
    if (is_quoted)
        putc('"', csv->file);
    if (is_guarded(text))
        putc('\'', csv->file);
    put_text(csv->file, text);
    if (is_quoted)
        putc('"', csv->file);
}

void csv_number(struct csv *csv, const char *format, ...)
{
    va_list arguments;
    separate(csv);
    va_start(arguments, format);
    vfprintf(csv->file, format, arguments);
    va_end(arguments);
}

void csv_empty(struct csv *csv, unsigned n)
{
    for (unsigned i = 0; i < n; i++)
        separate(csv);
}

void csv_end(struct csv *csv)
{
    fputs("\r\n", csv->file);
    csv->is_begun = false;
}

static void csv_value(struct csv *csv, double value, double resolution)
{
    char text[NUMBER_TEXT_MAX];
    (void)number_to_text(value, resolution, text);
    separate(csv);
    fputs(text, csv->file);
}

static void csv_time(struct csv *csv, const struct stamp *at)
{
    char text[STAMP_TEXT_MAX];
    csv_text(csv, export_time_is_known(at) ? stamp_to_text(at->utc_ms, text) : NULL);
}

static void csv_run(struct csv *csv, uint64_t run)
{
    char text[24];
    snprintf(text, sizeof text, "%016" PRIx64, run);
    csv_text(csv, text);
}

static void csv_flag(struct csv *csv, bool value)
{
    csv_text(csv, value ? "true" : "false");
}

static void csv_seq(struct csv *csv, uint64_t seq)
{
    if (seq == 0)
        csv_empty(csv, 1);
    else
        csv_number(csv, "%" PRIu64, seq);
}

/* ---- columns ---- */

static const char *const HEAD[] = {"row",      "site", "well", "label", "source",  "run",   "seq",
                                   "revision", "by",   "time", "clock", "outcome", "heard", "plan"};
static const char *const GAP_HEAD[] = {"gap_id",
                                       "gap_kind",
                                       "gap_point",
                                       "gap_destination",
                                       "gap_all_wells",
                                       "gap_end",
                                       "gap_open",
                                       "gap_before_seq",
                                       "gap_after_seq",
                                       "gap_scans",
                                       "gap_refreshes_about",
                                       "gap_recovered",
                                       "gap_lost",
                                       "gap_planned",
                                       "gap_cause",
                                       "gap_note",
                                       "gap_noted_by"};
enum { N_HEAD = sizeof HEAD / sizeof *HEAD, N_GAP_HEAD = sizeof GAP_HEAD / sizeof *GAP_HEAD };

static bool has_point(const struct export *export, unsigned point)
{
    for (int r = 0; r < EXPORT_REFERENCES; r++)
        if (export->column[point][r])
            return true;
    return false;
}

static bool is_derived(unsigned point)
{
    return point_get(point)->type == POINT_DERIVED;
}

void export_collect(struct export *export, const struct export_scan *row)
{
    if (export->asked.raw) {
        if (row->scan->n_blocks > export->n_blocks)
            export->n_blocks = row->scan->n_blocks;
        return;
    }
    const struct well_plan *well = plan_well_by_number(row->plan, export->well);
    for (uint16_t i = 0; i < row->record->n; i++) {
        const uint16_t point = row->record->reading[i].point;
        const struct payload_cell cell =
            payload_cell(row->plan, well, &export->units, row->record, i);
        if (point_get(point) == NULL || cell.reference_code >= EXPORT_REFERENCES)
            continue; /* export_csv_scan refuses it by name */
        export->column[point][cell.reference_code] = true;
        export->unit[point] = cell.unit;
        export->reference[cell.reference_code] = cell.reference;
    }
}

static void point_header(const struct export *export, struct csv *csv, unsigned point)
{
    char name[128];
    const char *id = point_get(point)->id;
    for (int r = 0; r < EXPORT_REFERENCES; r++) {
        if (!export->column[point][r])
            continue;
        const char *reference = export->reference[r];
        const bool is_unknown = reference != NULL && strcmp(reference, "unknown") == 0;
        if (export->unit[point] == NULL)
            snprintf(name, sizeof name, "%s", id);
        else
            snprintf(name, sizeof name, "%s [%s%s%s]", id, export->unit[point],
                     reference == NULL ? ""
                     : is_unknown      ? " reference "
                                       : " ",
                     reference == NULL ? "" : reference);
        csv_text(csv, name);
    }
    snprintf(name, sizeof name, "%s quality", id);
    csv_text(csv, name);
    snprintf(name, sizeof name, "%s age [s]", id);
    csv_text(csv, name);
    if (!is_derived(point))
        return;
    snprintf(name, sizeof name, "%s worst_input", id);
    csv_text(csv, name);
}

void export_csv_header(struct export *export)
{
    struct csv csv = {.file = export->file};
    for (unsigned i = 0; i < N_HEAD; i++)
        csv_text(&csv, HEAD[i]);
    if (export->asked.raw)
        export_raw_header(&csv, export->n_blocks);
    else
        csv_text(&csv, "measure_version");
    for (unsigned i = 0; i < N_GAP_HEAD; i++)
        csv_text(&csv, GAP_HEAD[i]);
    for (unsigned point = 1; !export->asked.raw && point < POINT_COUNT; point++)
        if (has_point(export, point))
            point_header(export, &csv, point);
    csv_end(&csv);
}

/* ---- rows ---- */

static const char *label_of(const struct export *export, const struct plan *plan)
{
    const struct well_plan *well = plan_well_by_number(plan, export->well);
    return well == NULL ? NULL : well->label;
}

static enum up_rc put_points(struct export *export, struct csv *csv, const struct export_scan *row,
                             struct up_error *error)
{
    const struct record *record = row->record;
    const struct well_plan *well = plan_well_by_number(row->plan, export->well);
    uint16_t i = 0; /* readings ascend by point */
    for (unsigned point = 1; point < POINT_COUNT; point++) {
        const bool is_there = i < record->n && record->reading[i].point == point;
        struct payload_cell cell = {.value = NAN};
        if (is_there) {
            cell = payload_cell(row->plan, well, &export->units, record, i);
            if (cell.reference_code >= EXPORT_REFERENCES ||
                !export->column[point][cell.reference_code])
                break;
        }
        if (!has_point(export, point))
            continue;
        for (int r = 0; r < EXPORT_REFERENCES; r++)
            if (export->column[point][r])
                csv_value(csv, is_there && r == cell.reference_code ? cell.value : NAN,
                          cell.resolution);
        if (!is_there) {
            csv_empty(csv, is_derived(point) ? 3 : 2);
            continue;
        }
        csv_number(csv, "%u", cell.quality);
        csv_value(csv, cell.age_s, cell.age_resolution);
        const struct point *worst = point_get(record->reading[i].worst_input);
        if (is_derived(point))
            csv_text(csv, worst == NULL ? NULL : worst->id);
        i++;
    }
    if (i < record->n)
        return UP_FAIL(error, UP_E_DISK,
                       "seq %" PRIu64 " was measured otherwise while it was being exported: the "
                       "times of its rows were corrected meanwhile. Export again",
                       record->seq);
    return UP_OK;
}

enum up_rc export_csv_scan(struct export *export, const struct export_scan *row,
                           struct up_error *error)
{
    struct csv csv = {.file = export->file};
    const struct scan *scan = row->scan;
    const struct plan *plan = row->plan != NULL ? row->plan : export->plan;
    char digest[12];
    enum up_rc rc = UP_OK;
    snprintf(digest, sizeof digest, "%08" PRIx32, row->plan_digest);
    csv_text(&csv, "scan");
    csv_text(&csv, plan->site);
    csv_text(&csv, export->asked.well);
    csv_text(&csv, label_of(export, plan));
    csv_text(&csv, source_name(scan->source));
    csv_run(&csv, scan->run);
    csv_number(&csv, "%" PRIu64, scan->seq);
    csv_number(&csv, "%u", row->revision);
    csv_text(&csv, row->by);
    csv_time(&csv, &row->at);
    csv_text(&csv, clock_state_name(row->at.clock));
    csv_text(&csv, outcome_name(scan->outcome));
    csv_flag(&csv, scan_was_overheard(scan));
    csv_text(&csv, digest);
    if (export->asked.raw)
        export_raw_cells(&csv, row, export->n_blocks);
    else
        csv_number(&csv, "%u", row->record->measure_version);
    csv_empty(&csv, N_GAP_HEAD);
    if (!export->asked.raw)
        rc = put_points(export, &csv, row, error);
    csv_end(&csv);
    return rc;
}

static unsigned point_cells(const struct export *export)
{
    unsigned n = 0;
    for (unsigned point = 1; point < POINT_COUNT; point++) {
        for (int r = 0; r < EXPORT_REFERENCES; r++)
            n += export->column[point][r];
        if (has_point(export, point))
            n += is_derived(point) ? 3 : 2;
    }
    return n;
}

void export_csv_gap(struct export *export, const struct gap *gap)
{
    struct csv csv = {.file = export->file};
    const struct point *point = point_get(gap->point);
    csv_text(&csv, "gap");
    csv_text(&csv, export->plan->site);
    csv_text(&csv, export->asked.well);
    csv_text(&csv, label_of(export, export->plan));
    csv_text(&csv, gap->source == SOURCE_NONE ? NULL : source_name(gap->source));
    csv_run(&csv, gap->run);
    csv_empty(&csv, 1);
    csv_number(&csv, "%u", gap->revision);
    csv_empty(&csv, 1);
    csv_time(&csv, &gap->start);
    csv_empty(&csv, 4); /* clock to plan */
    csv_empty(&csv, export->asked.raw ? export_raw_columns(export->n_blocks) : 1);
    csv_number(&csv, "%" PRIu64, gap->id);
    csv_text(&csv, gap_kind_name(gap->kind));
    csv_text(&csv, point == NULL ? NULL : point->id);
    csv_text(&csv, gap->destination);
    csv_flag(&csv, gap->all_wells);
    if (gap->is_open)
        csv_empty(&csv, 1);
    else
        csv_time(&csv, &gap->end);
    csv_flag(&csv, gap->is_open);
    csv_seq(&csv, gap->before_seq);
    csv_seq(&csv, gap->after_seq);
    csv_number(&csv, "%u", gap->scans);
    csv_number(&csv, "%u", gap->refreshes_about);
    csv_number(&csv, "%u", gap->recovered);
    csv_flag(&csv, gap->lost);
    csv_flag(&csv, gap->planned);
    csv_text(&csv, gap->cause);
    csv_text(&csv, gap->note);
    csv_text(&csv, gap->noted_by);
    csv_empty(&csv, export->asked.raw ? 0 : point_cells(export));
    csv_end(&csv);
}
