/* SPDX-License-Identifier: Apache-2.0
 *
 * calculate_shutin.h - inside `uphole calculate shut-in`: the record of a shut-in, the line over a
 * window of it, and what speaks against that line.
 */
#ifndef UPHOLE_CALCULATE_SHUTIN_H
#define UPHOLE_CALCULATE_SHUTIN_H

#include "calculate.h"

#define SHUTIN_VARIANTS 6
#define SHUTIN_WARNINGS_MAX 12
#define SHUTIN_WARNING_MAX 240
#define SHUTIN_QUANTITIES 5
#define SHUTIN_NAMES_MAX 320
#define SHUTIN_UNIT_MAX 39 /* as of a CSV column */

/** What was asked for, as written. */
struct shutin_asked {
    const char *csv, *time, *pressure, *shut_at, *producing_time, *volume, *rate, *window;
    const char *well, *config, *maps, *journal; /* a record from the journal instead of a file */
    bool json;
    struct calculate_pair pair[FORMULA_INPUTS_MAX]; /* rock and fluid */
    size_t n_pairs;
    double t_p, from, to; /* s; of the window since shut-in */
};

/** Samples after the shut-in, ascending. All SI; owned. */
struct shutin_record {
    size_t n;
    double *dt, *p;
    size_t before, empty; /* rows not after the shut-in; rows without a time or a pressure */
    size_t unsure;        /* rows whose quality is not Good, where the file states it */
    bool has_flowing;     /* the last row not after the shut-in */
    double flowing, flowing_age_s;
    char unit[SHUTIN_UNIT_MAX + 1]; /* of pressure, as the heading has it, and its factor */
    struct formula_unit in_unit;
};
UP_MUST enum up_rc shutin_record_read(const struct shutin_asked *asked,
                                      struct shutin_record *record, struct up_error *error);
/** The same of the well's journal: from an hour before the shut-in to the window's end. */
UP_MUST enum up_rc shutin_record_of_journal(const struct shutin_asked *asked,
                                            struct shutin_record *record, struct up_error *error);
/** Room for a record's samples. */
UP_MUST enum up_rc shutin_record_make(struct shutin_record *record, struct up_error *error);
/** A Good sample, in s since the shut-in and Pa; `from` names the file or well. */
UP_MUST enum up_rc shutin_record_add(struct shutin_record *record, double s, double pa,
                                     const char *from, struct up_error *error);
void shutin_record_free(struct shutin_record *record);

/** Horner's line over a window. Values only with REASON_NONE. */
struct shutin_line {
    const char *words; /* what differs from the window asked for */
    double from, to;   /* s since shut-in */
    size_t first, n;   /* samples in it */
    double cycles;     /* of Horner's ratio, that they span */
    enum formula_reason reason;
    double m, star, one_hour; /* Pa per cycle, Pa, Pa */
    double scatter;           /* Pa, standard deviation about the line, n - 2 */
};

/** A quantity that follows from the line. */
struct shutin_quantity {
    const char *name, *label, *words;
    enum formula_reason reason;
    bool computed, has_u;
    double value, u;     /* SI */
    const char *unit;    /* own one of the formula */
    const char *culprit; /* the input that the reason names, or NULL */
    char missing[128];   /* inputs that it lacks; not computed */
    uint8_t flags;
};

struct shutin_analysis {
    const struct shutin_asked *asked;
    const struct shutin_record *record;
    struct shutin_line line, variant[SHUTIN_VARIANTS];
    size_t fitted;                             /* windows with a line, the one asked for too */
    double m_low, m_high, star_low, star_high; /* over those */
    bool given_flowing, has_unit_slope;
    double flowing, unit_slope_end_s;
    struct shutin_quantity quantity[SHUTIN_QUANTITIES];
    size_t n_warnings;
    char warning[SHUTIN_WARNINGS_MAX][SHUTIN_WARNING_MAX];
};
/** Fits, varies the window, computes what the inputs allow. UP_E_USAGE where an input is off. */
UP_MUST enum up_rc shutin_analyse(const struct shutin_asked *asked,
                                  const struct shutin_record *record, struct shutin_analysis *out,
                                  struct up_error *error);
/** What follows from the line: permeability, skin and so on. */
UP_MUST enum up_rc shutin_quantities(struct shutin_analysis *analysis, struct up_error *error);
/** True where the name is an input of this analysis. */
bool shutin_takes(const char *name);

void shutin_show(FILE *stream, const struct shutin_analysis *analysis);
void shutin_show_json(FILE *stream, const struct shutin_analysis *analysis);

#endif
