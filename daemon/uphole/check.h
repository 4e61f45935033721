/* SPDX-License-Identifier: Apache-2.0
 *
 * check.h - inside `uphole check`: what follows from a good configuration, found once, shown as
 * text or JSON.
 */
#ifndef UPHOLE_CHECK_H
#define UPHOLE_CHECK_H

#include "uphole/gather.h"
#include "uphole/plan.h"
#include "uphole/stamp.h"

#include <stdio.h>

#define CHECK_SOURCES_MAX (PLAN_WELLS_MAX * (SOURCE_KINDS - 1))
#define CHECK_ADVICE_MAX 200
#define CHECK_ADVICE_TEXT 1000

/** The entry of one source that is used now, as it is read. */
struct check_source {
    const struct well_plan *well;
    uint8_t source;
    const struct source_entry *entry;
    const struct map *map;
    const struct line_plan *line;
    struct read_plan reads;
    unsigned registers;
    int64_t wire_us; /* of one scan */
    double share;    /* of the line's time, 0 to 1 */
    double disk_bytes_a_day;
};

struct check_line {
    const struct line_plan *line;
    unsigned n_sources;
    double share;
    int64_t round_us;  /* by the read plans */
    uint32_t bound_ms; /* upper bound that enters stale limits */
};

struct check_destination {
    const struct destination_plan *destination;
    double bytes_a_day; /* MQTT; a table sends what is asked */
    double messages_a_day;
};

struct check_facts {
    const struct plan *plan;
    const char *file;
    int64_t now_utc_ms;
    unsigned n_lines, n_sources, n_destinations, n_advice, more_advice;
    struct check_line lines[PLAN_LINES_MAX];
    struct check_source sources[CHECK_SOURCES_MAX];
    struct check_destination destinations[PLAN_DESTINATIONS_MAX];
    double disk_bytes_a_day;
    char advice[CHECK_ADVICE_MAX][CHECK_ADVICE_TEXT];
};

/** Time from a request's end to its answer's first byte that `check` counts with; common practice,
 * no source. */
#define CHECK_REPLY_DELAY_US 20000

/** Finds everything out, as it is at `now_utc_ms`. Pure but for a look at the secrets' files.
 * UP_E_CONFIG where a map can't be read in one scan. */
UP_MUST enum up_rc check_find(const struct plan *plan, const char *file, int64_t now_utc_ms,
                              struct check_facts *facts, struct up_error *error);
__attribute__((format(printf, 2, 3))) void check_advise(struct check_facts *facts,
                                                        const char *format, ...);
/** Advice: what is allowed, but worth a second look. */
void check_advise_all(struct check_facts *facts);
/** Of the wells' data as of now (check_well_data.c). */
void check_advise_well_data(struct check_facts *facts);
/** What a survey makes of the depths along the hole; nothing without one. */
void check_show_depths(FILE *out, const struct well_data *data);
/** Bytes a day to each destination, by the real payloads. */
void check_estimate_destinations(struct check_facts *facts);
/** Bytes on the network in a month, heads of packets counted in (check_delivery.c). */
double check_month_bytes(const struct check_destination *at);
void check_advise_limits(struct check_facts *facts, const struct check_destination *at);
/** Where the credential `name` is, or will be looked for: "is looked for in ...". */
void check_credential(const char *name, char *into, size_t room);
/** Prints text broken at blanks so that lines keep to the terminal, every line but the first after
 * `indent` blanks. */
void check_wrapped(FILE *out, int indent, const char *text);
/** Which derived points a well has, and what switches the others off (check_derived.c). */
void check_show_derived(FILE *out, const struct check_facts *facts, const struct well_plan *well);
void check_show_derived_json(FILE *out, const struct check_facts *facts);
void check_show_text(FILE *out, const struct check_facts *facts);
void check_show_json(FILE *out, const struct check_facts *facts);
/** Shows one map file as a table. Faults as map_from_file. */
UP_MUST enum up_rc check_map(FILE *out, const char *path, struct plan_faults *faults);

#endif
