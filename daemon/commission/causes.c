/* SPDX-License-Identifier: Apache-2.0
 *
 * causes.c - what the evidence may mean: a likelihood a cause, the evidence for it, and at most
 * three checks, the cheapest first (pure).
 *
 * Each cause has a weight beforehand and a factor for each sign that was seen; the products are
 * shown as shares of their sum. Weights and factors are common practice, no source: they order
 * checks, and prove nothing. A cause without any sign of its own is not shown.
 */
#include "uphole/commission.h"

#include <stdio.h>
#include <string.h>

enum sign {
    SIGN_NO_BYTE = 0, /* nothing ever came */
    SIGN_FEW_STRAY,   /* bytes, fewer than an answer a question, none of a frame */
    SIGN_ZEROS,       /* most of them 00 or FF */
    SIGN_BREAKS,      /* the driver counted broken characters */
    SIGN_INVERTED,    /* frames with all bits turned */
    SIGN_ECHO,
    SIGN_ECHO_ONLY,    /* never anything else */
    SIGN_BAD_CHECKSUM, /* answers of the right form whose checksum is wrong */
    SIGN_GARBAGE,      /* as many bytes as an answer has, of no frame */
    SIGN_CUT,
    SIGN_NO_WAY,        /* exception 0A */
    SIGN_TARGET_SILENT, /* exception 0B */
    SIGN_ANY_ID,
    SIGN_IDLE,    /* bytes of no frame while nobody asked */
    SIGN_GOOD,    /* good answers came as well */
    SIGN_STRAYED, /* stray bytes around good answers */
    SIGN_DIP,
    SIGN_RUNS,   /* bytes in runs as long as frames */
    SIGN_STATED, /* settings were stated, so that no others were tried */
    SIGNS
};

enum medium { ANY_MEDIUM = 0, SERIAL_ONLY, NETWORK_ONLY };

struct cause_row {
    uint8_t medium; /* enum medium: of a connection nothing is known of the pair behind it */
    const char *key, *sentence;
    double weight;
    uint32_t own; /* one of these signs must be there */
    struct {
        uint8_t sign;
        double factor;
    } factor[8];
    const char *checks[CAUSE_CHECKS_MAX];
};

#define OWN(sign) (1u << (sign))
#define WORK "under the site's electrical work procedure: "

/* clang-format off */
static const struct cause_row CAUSES[] = {
    {SERIAL_ONLY, "swapped_pair", "The two wires of the pair are swapped", 3, OWN(SIGN_FEW_STRAY) | OWN(SIGN_INVERTED) | OWN(SIGN_BREAKS) | OWN(SIGN_IDLE),
     {{SIGN_INVERTED, 400}, {SIGN_ZEROS, 4}, {SIGN_FEW_STRAY, 3}, {SIGN_BREAKS, 3}, {SIGN_GOOD, 0.001}, {SIGN_BAD_CHECKSUM, 0.2}, {SIGN_STATED, 0.5}},
     {"compare the letters at both ends with the drawing: A and B mean opposite things on some devices; D0 and D1 (or - and +) don't",
      WORK "measure the pair while nobody speaks: the wire that rests higher belongs to the terminal marked +, D1 or (mostly) B",
      WORK "swap the two wires at one end, and let find listen again"}},
    {SERIAL_ONLY, "no_bias_or_termination", "Bias or termination of the pair is missing", 2, OWN(SIGN_IDLE) | OWN(SIGN_STRAYED) | OWN(SIGN_FEW_STRAY),
     {{SIGN_STRAYED, 12}, {SIGN_IDLE, 3}, {SIGN_ZEROS, 2}, {SIGN_GOOD, 3}, {SIGN_RUNS, 0.2}, {SIGN_BAD_CHECKSUM, 1.5}, {SIGN_INVERTED, 0.01}},
     {"look at the converter's switches: bias (pull-up and pull-down) on at one place of the pair, termination at both ends and nowhere else",
      "is the common conductor connected beside the two wires?",
      WORK "measure the pair while nobody speaks: less than 0.2 V between the wires is no bias"}},
    {ANY_MEDIUM, "echo", "The converter returns what is sent", 5, OWN(SIGN_ECHO),
     {{SIGN_ECHO, 60}, {SIGN_ECHO_ONLY, 3}},
     {"say strip_echo: yes in the line's stanza", "look for the converter's switch for echo (receiver on while sending)", NULL}},
    {ANY_MEDIUM, "echo_but_no_unit", "The converter's own echo is all that answers: the pair behind it is open, or nobody is there", 2, OWN(SIGN_ECHO_ONLY),
     {{SIGN_ECHO_ONLY, 40}, {SIGN_GOOD, 0.0001}},
     {"is the surface unit powered? Its screen shows it", "compare unit id and speed on the surface unit's screen with those that were tried", WORK "check the pair from the converter to the unit"}},
    {SERIAL_ONLY, "wrong_speed_or_parity", "Speed or parity are not those of the unit", 3, OWN(SIGN_GARBAGE) | OWN(SIGN_BAD_CHECKSUM) | OWN(SIGN_IDLE),
     {{SIGN_GARBAGE, 6}, {SIGN_BAD_CHECKSUM, 4}, {SIGN_BREAKS, 3}, {SIGN_GOOD, 0.05}, {SIGN_RUNS, 4}, {SIGN_STATED, 4}, {SIGN_ZEROS, 0.6}, {SIGN_INVERTED, 0.01}},
     {"read speed and parity off the surface unit's screen, and state them: --speed, --frame", "let find try all settings: leave out --speed and --frame", NULL}},
    {ANY_MEDIUM, "noise", "Noise on the pair, or two devices with one unit id that answer together", 1, OWN(SIGN_BAD_CHECKSUM),
     {{SIGN_BAD_CHECKSUM, 3}, {SIGN_GOOD, 8}, {SIGN_GARBAGE, 1.2}},
     {"is another device set to the same unit id?", "is the shield earthed at one end, and the pair away from the motor cable?", "is the common conductor connected?"}},
    {ANY_MEDIUM, "cut_frames", "Answers are cut off: a converter passes only their first bytes on, or the unit stops", 2, OWN(SIGN_CUT),
     {{SIGN_CUT, 30}, {SIGN_GOOD, 1.5}},
     {"the converter's packing or pause setting: a frame must go on as one piece", "does a shorter read come whole? Then state largest_read in the map", "try another converter"}},
    {ANY_MEDIUM, "converter_has_no_way", "A converter or gateway answers: it has no way to this unit id (exception 0A)", 3, OWN(SIGN_NO_WAY),
     {{SIGN_NO_WAY, 200}},
     {"look at the converter's settings: which unit ids does it pass on, and to which of its ports?", "compare the unit id with the surface unit's screen", "does another program ask through it? Some have room for few at a time"}},
    {ANY_MEDIUM, "converter_answers", "A converter or gateway answers, and the unit behind it doesn't (exception 0B)", 3, OWN(SIGN_TARGET_SILENT),
     {{SIGN_TARGET_SILENT, 200}},
     {"is the surface unit powered? Its screen shows it", "compare unit id, speed and parity set in the converter with the surface unit's screen", WORK "check the pair between the converter and the unit"}},
    {ANY_MEDIUM, "answers_to_any_id", "What answers does so for every unit id: the converter itself, or a unit that ignores the id", 3, OWN(SIGN_ANY_ID),
     {{SIGN_ANY_ID, 200}},
     {"which device has this address? Compare a value with the surface unit's screen", "look for the converter's own unit id, and for the serial side's settings in it", NULL}},
    {ANY_MEDIUM, "supply_dip", "The unit fell silent and came back: its supply dips", 2, OWN(SIGN_DIP),
     {{SIGN_DIP, 100}, {SIGN_GOOD, 2}},
     {"does the surface unit's screen start anew now and then?", "does uphole gaps show that the box restarts at the same times?", WORK "measure the 24 V supply at the unit under load"}},
    {SERIAL_ONLY, "nobody_there", "Nobody there: no power, an open pair, another port, or a unit id that was not tried", 4, OWN(SIGN_NO_BYTE),
     {{SIGN_NO_BYTE, 30}, {SIGN_GOOD, 0.0001}},
     {"is the surface unit powered, and is this its port? Its screen shows unit id, speed and parity", "is it this port of the box? `ls -l /dev/serial/by-id` names the converter", WORK "check both wires and the common conductor from end to end; then whether they are swapped"}},
    {NETWORK_ONLY, "nobody_behind", "The host takes the connection, and nobody behind it answers: no power, an open pair, the converter's own settings, or a unit id that was not tried", 4, OWN(SIGN_NO_BYTE),
     {{SIGN_NO_BYTE, 30}, {SIGN_GOOD, 0.0001}},
     {"is the surface unit powered? Its screen shows unit id, speed and parity", "compare these with the settings of the converter's serial side; does it pass on Modbus TCP, or RTU (--framing rtu)?", WORK "check the pair between the converter and the unit"}},
};
/* clang-format on */
#define CAUSES_KNOWN (sizeof CAUSES / sizeof CAUSES[0])

/** Answers of a unit: what a converter says in its place is none. */
static uint32_t good_of(const struct find_evidence *evidence)
{
    return evidence->answers + evidence->exceptions - evidence->no_way - evidence->target_silent;
}

static uint32_t signs_of(const struct find_evidence *evidence)
{
    const bool has_good = good_of(evidence) > 0;
    const uint64_t stray = evidence->of_no_frame;
    uint32_t signs = 0;
    const struct {
        uint8_t sign;
        bool is_there;
    } SEEN[] = {
        {SIGN_NO_BYTE, evidence->bytes_heard + evidence->idle_bytes == 0 && evidence->requests > 0},
        {SIGN_FEW_STRAY, !has_good && stray > 0 && stray < 4 * (uint64_t)evidence->requests},
        {SIGN_ZEROS, stray > 0 && 2 * (evidence->zeros + evidence->ones) > stray},
        {SIGN_BREAKS, evidence->has_line_errors && evidence->line_errors.framing +
                                                           evidence->line_errors.breaks +
                                                           evidence->line_errors.parity >
                                                       0},
        {SIGN_INVERTED, evidence->inverted > 0},
        {SIGN_ECHO, evidence->echoes > 0},
        {SIGN_ECHO_ONLY, evidence->echo_only > 0 && evidence->echo_only == evidence->requests},
        {SIGN_BAD_CHECKSUM, evidence->bad_checksum > 0},
        {SIGN_GARBAGE, evidence->garbage > 0 && stray >= 4 * (uint64_t)evidence->garbage},
        {SIGN_CUT, evidence->cut > 0},
        {SIGN_NO_WAY, evidence->no_way > 0},
        {SIGN_TARGET_SILENT, evidence->target_silent > 0},
        {SIGN_ANY_ID, evidence->any_id > 1},
        {SIGN_IDLE, evidence->idle_bytes > 0},
        {SIGN_GOOD, has_good},
        {SIGN_STRAYED, evidence->strayed > 0},
        {SIGN_DIP, evidence->dips > 0},
        {SIGN_RUNS, evidence->longest_run >= 5},
        {SIGN_STATED, evidence->settings_stated},
    };
    for (size_t i = 0; i < sizeof SEEN / sizeof SEEN[0]; i++)
        signs |= SEEN[i].is_there ? OWN(SEEN[i].sign) : 0;
    return signs;
}

/** Signs that something is off at all; an echo is one, since the stanza must say so. */
static bool is_worth_a_word(uint32_t signs, const struct find_evidence *evidence)
{
    const uint32_t faults = OWN(SIGN_STRAYED) | OWN(SIGN_ECHO) | OWN(SIGN_CUT) | OWN(SIGN_ANY_ID) |
                            OWN(SIGN_DIP) | OWN(SIGN_BAD_CHECKSUM) | OWN(SIGN_IDLE);
    return (signs & faults) != 0 && evidence->requests > 0;
}

static double likelihood(const struct cause_row *row, uint32_t signs, bool is_serial)
{
    double value = row->weight;
    if ((row->own & signs) == 0 || row->medium == (is_serial ? NETWORK_ONLY : SERIAL_ONLY))
        return 0;
    for (size_t i = 0; i < sizeof row->factor / sizeof row->factor[0] && row->factor[i].factor > 0;
         i++)
        if ((signs & OWN(row->factor[i].sign)) != 0)
            value *= row->factor[i].factor;
    return value;
}

/** What speaks for it, in numbers. */
static void put_evidence(const struct find_evidence *e, uint32_t signs, char *into, size_t room)
{
    const struct {
        uint8_t sign;
        unsigned long long count;
        const char *words;
    } COUNTED[] = {
        {SIGN_INVERTED, e->inverted, "frames with all bits turned"},
        {SIGN_ECHO, e->echoes, "questions came back as they were sent"},
        {SIGN_BAD_CHECKSUM, e->bad_checksum, "answers with a wrong checksum"},
        {SIGN_CUT, e->cut, "answers cut short"},
        {SIGN_NO_WAY, e->no_way, "exceptions 0A"},
        {SIGN_TARGET_SILENT, e->target_silent, "exceptions 0B"},
        {SIGN_ANY_ID, e->any_id, "further unit ids answered alike"},
        {SIGN_DIP, e->dips, "times silent, then back"},
        {SIGN_STRAYED, e->strayed, "good answers with stray bytes around"},
        {SIGN_IDLE, e->idle_bytes, "bytes of no frame while nobody asked"},
        {SIGN_GARBAGE, e->garbage, "questions answered by bytes of no frame"},
        {SIGN_ZEROS, e->zeros, "of the stray bytes are 00"},
        {SIGN_BREAKS,
         (unsigned long long)e->line_errors.framing + e->line_errors.breaks + e->line_errors.parity,
         "broken characters counted by the driver"},
    };
    size_t used =
        (size_t)snprintf(into, room, "%u questions, %llu bytes came, %u good answers", e->requests,
                         (unsigned long long)(e->bytes_heard + e->idle_bytes), good_of(e));
    for (size_t i = 0; i < sizeof COUNTED / sizeof COUNTED[0] && used + 1 < room; i++)
        if ((signs & OWN(COUNTED[i].sign)) != 0)
            used += (size_t)snprintf(into + used, room - used, "; %llu %s", COUNTED[i].count,
                                     COUNTED[i].words);
}

unsigned find_causes(const struct find_evidence *evidence, bool has_unit, bool is_serial,
                     struct likely_cause *causes)
{
    const uint32_t signs = signs_of(evidence);
    double value[CAUSES_KNOWN], sum = 0;
    unsigned n = 0;
    if (evidence->requests + evidence->idle_bytes == 0 ||
        (has_unit && !is_worth_a_word(signs, evidence)))
        return 0;
    for (size_t i = 0; i < CAUSES_KNOWN; i++)
        sum += value[i] = likelihood(&CAUSES[i], signs, is_serial);
    while (n < CAUSES_SHOWN_MAX && sum > 0) {
        size_t best = 0;
        for (size_t i = 1; i < CAUSES_KNOWN; i++)
            if (value[i] > value[best])
                best = i;
        if (value[best] <= 0)
            break;
        const unsigned percent = (unsigned)(100 * value[best] / sum + 0.5);
        if (percent < 3 && n > 0)
            break;
        causes[n] = (struct likely_cause){
            .key = CAUSES[best].key, .sentence = CAUSES[best].sentence, .percent = percent};
        memcpy(causes[n].checks, CAUSES[best].checks, sizeof causes[n].checks);
        put_evidence(evidence, signs, causes[n].evidence, sizeof causes[n].evidence);
        value[best] = 0;
        n++;
    }
    return n;
}
