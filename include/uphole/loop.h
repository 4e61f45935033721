/* SPDX-License-Identifier: Apache-2.0
 *
 * loop.h - the record of a loop check: from the surface unit's screen over the wire to what SCADA reads, channel by channel, and the outages that were
 * made. Its JSON (which is also the progress of one that is not complete), its page for paper, and its judgements. Pure but for the FILE printed to.
 *
 * The record proves a path, not a sensor. It holds no secret: no user, no password, no key.
 */
#ifndef UPHOLE_LOOP_H
#define UPHOLE_LOOP_H

#include "uphole/compare.h"
#include "uphole/json.h"
#include "uphole/plan.h"
#include "uphole/scan.h"

#include <stdio.h>

#define LOOP_CHANNELS_MAX 128
#define LOOP_SITTINGS_MAX 16
#define LOOP_OUTAGES_MAX 3
#define LOOP_ROWS_MAX 8
#define LOOP_BY_MAX 64
#define LOOP_TEXT_MAX 240
#define LOOP_SENTENCE_MAX 400
#define LOOP_JSON_MAX (1024 * 1024)
#define LOOP_NODES_MAX 32768

/** The two sentences that stand on each record. */
#define LOOP_PROVES "This record proves the path from the surface unit's screen to SCADA. It does not prove the downhole sensor."
#define LOOP_CAUTION "Uphole is not a protection system: never use its outputs for trips, interlocks or safety functions."

enum loop_result { LOOP_OPEN = 0, LOOP_PASS, LOOP_FAIL, LOOP_NOT_FITTED, LOOP_SKIPPED, LOOP_RESULTS };
const char *loop_result_name(uint8_t result); /* "open", "pass", "fail", "not_fitted", "skipped" */

/** What a reader at the far end got. */
struct loop_heard {
    bool done, agrees;
    double value; /* NaN: none */
    char unit[16];
    uint8_t quality;
};

struct loop_channel {
    uint16_t point;
    uint8_t source, result; /* enum loop_result */
    uint8_t table;          /* enum register_table, of the surface unit */
    uint16_t address, n_words, words[4]; /* from 0; as read */
    uint64_t run, seq;      /* of the scan that was followed to the far end; 0: none */
    int64_t scan_utc_ms;
    char expected[SCREEN_TEXT_MAX], given_by[LOOP_BY_MAX]; /* as typed; "screen" or a test source */
    double expected_value, tolerance, difference;          /* in the point's unit; NaN: none */
    double value;           /* as read, in the point's unit; NaN: none */
    uint8_t quality;
    struct loop_heard mqtt, served;
    uint16_t served_register, served_words[2]; /* in the table, from 0 */
    char verdict[16];       /* compare_verdict_name */
    char sentence[LOOP_SENTENCE_MAX];
    uint8_t tries;
    char first_try[LOOP_TEXT_MAX]; /* what was typed and found first, where the result came later */
    bool confirmed;
    char stanza[96];        /* for the configuration, where the person accepts it */
    char by[LOOP_BY_MAX];
    int64_t done_utc_ms;
};

/** A channel of which nothing was checked yet. */
struct loop_channel loop_open_channel(uint16_t point, uint8_t source, uint8_t table, uint16_t address);

enum loop_outage_kind { LOOP_ASKING = 1, LOOP_NETWORK, LOOP_PROGRAM, LOOP_OUTAGE_KINDS };
const char *loop_outage_name(uint8_t kind); /* "asking", "network", "program" */

/** A row of the ledger that an outage left. */
struct loop_row {
    uint64_t run, id;
    uint8_t kind, source;
    char destination[NAME_LENGTH_MAX + 1];
    int64_t start_utc_ms, end_utc_ms;
    uint32_t scans, recovered;
    bool is_open, lost;
    bool delivered; /* read back, closed, on the gap topic */
    char cause[GAP_CAUSE_MAX];
};
struct loop_outage {
    uint8_t kind, result;
    char how[LOOP_TEXT_MAX]; /* "pad-line was held", ... */
    int64_t asked_ms;        /* how long it should last */
    int64_t began_utc_ms, ended_utc_ms;
    bool offline_heard;      /* SCADA was told that the box does not run */
    bool has_hole;           /* records were missing between those before and those after */
    uint64_t from_seq, to_seq; /* of the records that were read back across it; 0: none */
    uint32_t late;           /* of them marked late */
    unsigned n_rows;
    struct loop_row row[LOOP_ROWS_MAX];
    char sentence[LOOP_SENTENCE_MAX];
    char by[LOOP_BY_MAX];
    int64_t done_utc_ms;
};

struct loop_source {
    uint8_t source; /* SOURCE_NONE: not of this well */
    char line[NAME_LENGTH_MAX + 1], map[NAME_LENGTH_MAX + 1], map_digest[65], serial_number[LABEL_MAX + 1];
    uint8_t unit_id;
    uint32_t poll_ms, refresh_ms;
};
struct loop_sitting {
    int64_t begun_utc_ms, ended_utc_ms;
    char by[LOOP_BY_MAX];
    char plan[65], version[24];
    char differences[LOOP_SENTENCE_MAX]; /* from the sitting before; "": none */
};
/** One way to SCADA that was read. */
struct loop_path {
    char name[NAME_LENGTH_MAX + 1]; /* "": there is none, or it was left out */
    char where[PATH_LENGTH_MAX + 16];
    char detail[LOOP_TEXT_MAX];     /* how it was read */
    bool left_out;                  /* by the person's wish */
};
struct loop_record {
    bool complete;
    char site[NAME_LENGTH_MAX + 1], box[NAME_LENGTH_MAX + 1], well[NAME_LENGTH_MAX + 1], label[LABEL_MAX + 1];
    char plan[65], version[24], versions[LOOP_TEXT_MAX], clock[24];
    uint32_t measure_version;
    int64_t begun_utc_ms, ended_utc_ms;
    struct loop_source source[SOURCE_KINDS];
    struct loop_path mqtt, table;
    unsigned n_channels, n_outages, n_sittings;
    struct loop_channel channel[LOOP_CHANNELS_MAX];
    struct loop_outage outage[LOOP_OUTAGES_MAX];
    struct loop_sitting sitting[LOOP_SITTINGS_MAX];
};

/** How many channels have that result. */
unsigned loop_count(const struct loop_record *record, uint8_t result);
/** Of those that are skipped: a state, a code or a text, with no number to compare. Their verdict is LOOP_NO_NUMBER. */
#define LOOP_NO_NUMBER "no_number"
unsigned loop_count_numberless(const struct loop_record *record);
/** Every channel and outage has a result. */
bool loop_is_done(const struct loop_record *record);
/** Nothing failed. */
bool loop_has_passed(const struct loop_record *record);

/** Writes the record as JSON (docs/schemas/loop-check-1.json); bytes, 0 where it does not fit. */
size_t loop_to_json(const struct loop_record *record, char *into, size_t room);
/** Reads what loop_to_json wrote. UP_E_INPUT where it is no such record: what is missing or out of bounds is named. */
UP_MUST enum up_rc loop_from_json(const char *text, size_t length, struct loop_record *out, struct up_error *error);
/** The record as one page of HTML to print: no script, nothing loaded from elsewhere, all text escaped. */
void loop_print_page(FILE *out, const struct loop_record *record);

/**
 * Is what a reader got, in its unit, the value that was read here? `resolution` in that unit, as it is sent there; 0: a float32. Values that both are
 * missing agree.
 */
bool loop_values_agree(double value, unit_number unit, double heard, unit_number heard_unit, double resolution);

/** What is known of an outage when its rows are judged; all times UTC, ms. */
struct loop_seen {
    int64_t began_utc_ms, ended_utc_ms; /* as this program saw it begin and end */
    int64_t slack_ms;                   /* beyond one poll, by which begin and end may differ: listening, a connection */
    uint32_t poll_ms[SOURCE_KINDS];     /* a source; [0] the longest, for rows of none */
    bool has_broker;                    /* rows must have come on the gap topic */
};
/** Kind, begin and end within one poll, counts, delivered: fills result and sentence. */
void loop_judge_outage(struct loop_outage *outage, const struct loop_seen *seen);

#endif
