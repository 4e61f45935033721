/* SPDX-License-Identifier: Apache-2.0
 *
 * commission.h - are the wiring, the settings and the map right? For the technician at the drive cabinet.
 *
 * find listens first, asks only with consent, and only what reads. It works on ports that its caller makes, by a clock that its caller hands in,
 * so that an hour of searching takes milliseconds in a test.
 */
#ifndef UPHOLE_COMMISSION_H
#define UPHOLE_COMMISSION_H

#include "uphole/gather.h"
#include "uphole/overhear.h"
#include "uphole/plan.h"

#include <stdio.h>

/* ---- registers as they were read, several times ---- */

#define BOOK_REGISTERS_MAX 1024
#define BOOK_SAMPLES_MAX 128

struct seen_register {
    uint8_t table; /* TABLE_HOLDING or TABLE_INPUT */
    uint16_t address;
};
/** Registers ascending by table and address; each sample holds all of them (one that was not read anew as it was before). */
struct register_book {
    unsigned n, n_samples;
    struct seen_register at[BOOK_REGISTERS_MAX];
    int64_t taken_us[BOOK_SAMPLES_MAX]; /* CLOCK_BOOTTIME */
    uint16_t words[BOOK_SAMPLES_MAX][BOOK_REGISTERS_MAX];
};
/** Puts words read together; begins a new sample where `is_new`, else they belong to the newest. What is over the room is left out (false). */
bool book_put(struct register_book *book, bool is_new, int64_t now_us, uint8_t table, uint16_t first, const uint16_t *words, unsigned n);
/** Index of a register; -1: never read. */
int book_index(const struct register_book *book, uint8_t table, unsigned address);
/** The newest words of `n` registers in a row; false where one was never read. */
bool book_newest(const struct register_book *book, uint8_t table, unsigned first, unsigned n, uint16_t *words);
/** How often a register's word changed from one sample to the next. */
unsigned book_changes(const struct register_book *book, int index);

/* ---- what was heard before a byte was sent ---- */

struct heard_question {
    uint8_t unit_id;
    struct read_request request;
    uint32_t times;
    int64_t first_us, last_us; /* when asked; their mean distance is the period */
};
struct find_heard {
    bool has_master;      /* frames that this program did not ask for */
    bool has_runs;        /* bytes in runs as long as a question, which made no frame at any settings that were tried */
    bool while_asking;    /* they were noticed only then */
    bool has_answers;     /* the unit that it asks answers */
    struct line_plan line; /* settings at which they were heard */
    int64_t listened_us;
    uint64_t bytes, unused_bytes; /* unused: of no frame */
    unsigned settings_tried, n_questions;
    struct heard_question question[OVERHEAR_QUESTIONS_MAX];
};

/* ---- evidence, and what it may mean ---- */

struct find_evidence {
    uint32_t requests, silent, answers, exceptions, cut, bad_checksum, garbage, other_unit, late;
    uint32_t echoes, echo_only, inverted, strayed, dips, any_id;
    uint32_t no_way, target_silent; /* among the exceptions: 0A, 0B */
    uint64_t bytes_sent, bytes_heard, zeros, ones, of_no_frame; /* zeros 00, ones FF, among those of no frame */
    uint64_t idle_bytes; /* of no frame, while nobody asked */
    uint32_t longest_run; /* of such bytes, without a pause */
    bool settings_stated; /* speed and frame: no others were tried */
    bool has_line_errors;
    struct line_errors line_errors;
};
enum { CAUSE_CHECKS_MAX = 3, CAUSES_SHOWN_MAX = 4 };
struct likely_cause {
    const char *key;      /* "swapped_pair", ... */
    const char *sentence; /* what it would be */
    unsigned percent;     /* share of the likelihood among the causes known here; not a probability of the world's */
    char evidence[240];
    const char *checks[CAUSE_CHECKS_MAX]; /* cheapest first; NULL behind the last */
};
/** The likeliest causes by what was counted, at most CAUSES_SHOWN_MAX; none where nothing is wrong. Pure. */
unsigned find_causes(const struct find_evidence *evidence, bool has_unit, bool is_serial, struct likely_cause *causes);

/* ---- the unit that was found ---- */

enum { FIND_RANGES_MAX = 48, FIND_OBJECTS_MAX = 8, FIND_TEXT_MAX = 64, FIND_SCORES_MAX = 64 };

struct find_unit {
    uint8_t unit_id;
    struct line_plan line; /* settings at which it answers */
    bool is_answered_by_listening; /* nothing was asked: what is known was heard */
    uint8_t exception_of[5];       /* by function 1 to 4: the exception to its last refused question; 0 none */
    uint32_t answers_of[5];
    uint16_t largest_read;         /* registers in one request; 0: not found out */
    int64_t slowest_answer_us;
    unsigned n_objects;
    char object[FIND_OBJECTS_MAX][FIND_TEXT_MAX]; /* of 2B/0E, "0 Invented", escaped */
    unsigned n_ranges;
    struct register_range range[FIND_RANGES_MAX]; /* readable; ascending by table and address */
    bool ranges_are_whole; /* the sweep came to its end */
};

/* ---- maps against what answers ---- */

#define SCORE_LINES_MAX 12
struct map_score {
    const struct map *map;
    unsigned percent; /* 0: excluded */
    unsigned n_lines;
    char line[SCORE_LINES_MAX][200]; /* why */
    unsigned n_warnings;
    char warning[SCORE_LINES_MAX][240]; /* traps */
};
/** How well a map fits: readable ranges, plausible values, markers, status, refresh. `book` may be empty. Pure. */
void map_score_make(const struct map *map, const struct find_unit *unit, const struct register_book *book, struct map_score *out);
/** Two registers in all four orders, as whole number and as float32, into a line of text. */
void decodings_to_text(const uint16_t words[static 2], char *into, size_t room);

/* ---- find ---- */

struct find_report {
    struct find_heard heard;
    struct find_evidence evidence;
    bool has_unit, was_stopped, was_refused, ran_out; /* out: of requests or time */
    bool was_agreed; /* another master was heard, and its responsible person agreed */
    struct find_unit unit;
    struct register_book book;
    unsigned n_causes, n_scores;
    struct likely_cause cause[CAUSES_SHOWN_MAX];
    struct map_score score[FIND_SCORES_MAX]; /* best first */
    unsigned batches, batches_done; /* of settings and unit ids */
    int64_t began_us, found_us, ended_us;
};

enum find_phase { FIND_LISTENS = 1, FIND_ASKS, FIND_RANGES, FIND_WATCHES };
struct find_progress {
    uint8_t phase, unit_id;
    const struct line_plan *line;
    uint32_t requests, requests_at_most;
    int64_t elapsed_us, left_us; /* left: at most */
};

/** Ports, made for the settings to be tried; the real ones are port_for_line and port_free. */
struct find_ports {
    struct port *(*make)(void *context, const struct line_plan *line);
    void (*drop)(void *context, struct port *port);
    bool (*errors)(void *context, const struct port *port, struct line_errors *out);
    void *context;
};
struct find_options {
    struct line_plan line; /* device or host; speed, frame and framing where they are stated */
    bool has_speed, has_frame, has_framing;
    uint8_t unit_low, unit_high; /* unit ids to try; 0 and 0: all */
    uint16_t first, last;        /* registers to sweep */
    uint32_t listen_ms, wait_ms, watch_ms, watch_every_ms, at_most_ms, at_most_requests;
    const struct map *const *maps; /* known ones, borrowed */
    unsigned n_maps;
    const struct map *map; /* the unit's, where it is known: only its `never` counts then */
    const struct up_clock *clock;
    struct find_ports ports;
    void *context;
    bool (*is_stopped)(void *context); /* asked at least ten times a second */
    void (*progress)(void *context, const struct find_progress *progress);
    /** After listening, and again where another master is noticed later. False: nothing is asked. */
    bool (*consent)(void *context, const struct find_report *report);
};
#define FIND_LISTEN_MS 30000
#define FIND_WAIT_MS 200
#define FIND_WATCH_MS 30000
#define FIND_AT_MOST_MS 1800000
#define FIND_REQUESTS_AT_MOST 10000
#define FIND_LAST_REGISTER 1023

/**
 * Runs to its end, however that comes: found, refused, stopped, out of requests. `report` (large: on the heap) says which. An error only where the
 * port can't be opened. The port is closed again at the end, as it was.
 */
UP_MUST enum up_rc find_run(const struct find_options *options, struct find_report *report, struct up_error *error);

/** The sentence on another master, with what to do; "" where none was heard. */
void find_heard_to_text(const struct find_heard *heard, char *into, size_t room);
/** `lines:` and `wells:` sections to paste, which uphole check accepts; a map that isn't known yet is called my-unit. */
void find_print_stanza(FILE *out, const struct find_report *report);
/** A commented map of what answers and how it changes; what a person must fill in is marked FILL. */
void find_print_draft(FILE *out, const struct find_report *report, const char *name);

#endif
