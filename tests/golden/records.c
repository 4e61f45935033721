/* SPDX-License-Identifier: Apache-2.0
 *
 * records.c - see records.h. seq counts each well's scans from 1, as the journal's would in an
 * empty one.
 */
#include "records.h"

#include "check.h"

#include "uphole/quantity.h"

#include <stdlib.h>

struct of_well {
    struct fold *fold;
    uint64_t seq;
};
struct records {
    const struct plan *plan;
    FILE *out;
    int64_t zero_ms;
    unsigned scans;
    struct of_well *wells;
    struct record record;
    struct fact facts[MEASURE_FACTS_MAX];
};

struct records *records_create(const struct plan *plan, FILE *out, int64_t boot_ms_of_zero)
{
    struct records *records = calloc(1, sizeof *records);
    assert_non_null(records);
    *records = (struct records){.plan = plan, .out = out, .zero_ms = boot_ms_of_zero};
    records->wells = calloc(plan->n_wells, sizeof records->wells[0]);
    assert_non_null(records->wells);
    for (uint16_t w = 0; w < plan->n_wells; w++) {
        records->wells[w].fold = malloc(fold_bytes());
        assert_non_null(records->wells[w].fold);
        fold_init(records->wells[w].fold);
    }
    return records;
}

void records_destroy(struct records *records)
{
    for (uint16_t w = 0; w < records->plan->n_wells; w++)
        free(records->wells[w].fold);
    free(records->wells);
    free(records);
}

unsigned records_scans(const struct records *records)
{
    return records->scans;
}

/** Seconds from the trace's time zero, as in the trace. */
static void put_instant(struct records *records, const struct stamp *at)
{
    const int64_t ms = at->boot_ms - records->zero_ms;
    fprintf(records->out, " %+.3f s", (double)ms / 1000.0);
}

static void put_reading(FILE *out, const struct reading *reading)
{
    const struct point *point = point_get(reading->point);
    char value[NUMBER_TEXT_MAX];
    if (number_to_text(reading->value, point->resolution, value) == 0)
        snprintf(value, sizeof value, "-");
    fprintf(out, "  %-28s %12s %-7s %3u %s", point->id, value, point->unit, reading->quality,
            quality_name(reading->quality));
    if (!isnan(reading->age_s))
        fprintf(out, ", age %.3f s", (double)reading->age_s);
    if (reading->worst_input != 0)
        fprintf(out, ", by %s", point_get(reading->worst_input)->id);
    fputc('\n', out);
}

static void put_fact(struct records *records, const struct fact *fact)
{
    static const char *const KINDS[] = {
        "none",         "seen_good",     "gauge_agreed", "refresh_stopped",
        "pump_started", "fitted_notice", "begun_anew",   "windows_begun",
        "unit_setting", "unit_setting",  "unit_setting"};
    assert_true(fact->kind < sizeof KINDS / sizeof KINDS[0]);
    fprintf(records->out, "  fact %s%s%s\n", KINDS[fact->kind], fact->point != 0 ? " " : "",
            fact->point != 0 ? point_get(fact->point)->id : "");
}

static void take_scan(struct records *records, const struct scan *from)
{
    struct scan scan = *from;
    assert_in_range(scan.well, 1, records->plan->n_wells);
    struct of_well *of = &records->wells[scan.well - 1];
    const struct well_plan *well = &records->plan->wells[scan.well - 1];
    struct record *record = &records->record;
    size_t n_facts = 0;
    scan.seq = ++of->seq;
    records->scans++;
    measure_scan(of->fold, records->plan, well, &scan, record, records->facts, &n_facts);
    fprintf(records->out, "\n%s %s seq %llu", well->id, source_name(scan.source),
            (unsigned long long)scan.seq);
    put_instant(records, &scan.begun);
    fprintf(records->out, ": %s, took %u ms, %u requests, %u stray bytes\n",
            outcome_name(record->outcome), scan.took_ms, scan.tries, scan.stray);
    for (uint16_t i = 0; i < record->n; i++)
        put_reading(records->out, &record->reading[i]);
    for (size_t i = 0; i < n_facts; i++)
        put_fact(records, &records->facts[i]);
}

void records_take(void *context, const struct gathered *item)
{
    struct records *records = context;
    if (item->kind == GATHERED_SCAN) {
        take_scan(records, &item->scan);
    } else if (item->kind == GATHERED_SKIP) {
        const struct skip *skip = &item->skip;
        assert_in_range(skip->well, 1, records->plan->n_wells);
        fprintf(records->out, "\n%s %s: %u due and not asked (%s), from",
                records->plan->wells[skip->well - 1].id, source_name(skip->source), skip->count,
                gap_cause_name(skip->cause));
        put_instant(records, &skip->first_due);
        fputs(" to", records->out);
        put_instant(records, &skip->last_due);
        fputc('\n', records->out);
    } else if (item->kind == GATHERED_NOTICE) {
        fputs("\nsaid", records->out);
        put_instant(records, &item->notice.at);
        fprintf(records->out, " (%s): %s\n", item->notice.kind, item->notice.text);
    }
}
