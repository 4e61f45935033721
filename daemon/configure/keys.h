/* SPDX-License-Identifier: Apache-2.0
 *
 * keys.h - the one table of keys: it drives the parser, the defaults, the canonical text and the
 * printed reference.
 *
 * A row with a field is read and written by keys_read and keys_write alone. A row of kind
 * VALUE_SPECIAL is known, documented and may be required by the table; its value is read by the
 * file that owns the section.
 */
#ifndef UPHOLE_CONFIGURE_KEYS_H
#define UPHOLE_CONFIGURE_KEYS_H

#include "values.h"

#include <stdio.h>

enum section {
    SECTION_NONE = 0,
    SECTION_TOP,
    SECTION_LINE,
    SECTION_WELL,
    SECTION_SOURCES,
    SECTION_ENTRY,
    SECTION_DATA,
    SECTION_TEST,
    SECTION_DESTINATION,
    SECTION_VIEW,
    SECTION_JOURNAL,
    SECTION_RETAIN,
    SECTION_MAP,
    SECTION_STATUS,
    SECTION_REGISTER,
    SECTION_UNIT_REGISTER,
    SECTION_CHANNEL,
    SECTION_COUNT
};

/* Keys of a line or a destination are told apart by the medium's number as a bit; a TCP connection
 * that carries RTU frames has a bit of its own. */
#define LINE_KEYS_RTU_OVER_TCP 4

enum value_kind {
    VALUE_SPECIAL = 1, /* read by the section's own file; `form` says how it looks */
    VALUE_NAME,
    VALUE_LABEL,
    VALUE_PATH,
    VALUE_DURATION,
    VALUE_SIZE,
    VALUE_WHOLE,
    VALUE_YES_NO,
    VALUE_CHOICE,
    VALUE_INSTANT,
    VALUE_QUANTITY
};

struct key {
    uint8_t section, kind;
    bool required;
    uint8_t only; /* of some mediums: their bits; 0: of all */
    const char *name;
    const char *form;     /* how a value looks, for the reference */
    const char *fallback; /* text of the default; NULL: none */
    double low, high;     /* ms, bytes, counts, or the own unit of `quantity` */
    enum quantity quantity;
    const char *suffix; /* word after the number: "baud", "registers", "TVD" */
    const struct choice *choices;
    size_t offset, size; /* of the field */
    const char *help;
};

struct section_row {
    const char *path;  /* "lines.NAME", for the reference */
    const char *what;  /* "a line", for messages */
    const char *intro; /* a paragraph for the reference */
};

extern const struct choice CHOICES_REFERENCE[], CHOICES_WORDS[], CHOICES_BYTES[], CHOICES_TYPE[],
    CHOICES_SOURCE[], CHOICES_MQTT_VERSION[], CHOICES_FROM[], CHOICES_ROLE[], CHOICES_NUMBERING[],
    CHOICES_MISSING[], CHOICES_CABLE[], CHOICES_FRAMING[], CHOICES_RS485[], CHOICES_UNIT_SET[], CHOICES_TABLE[];

const struct key *key_at(int i); /* NULL at the end */
const struct section_row *section_get(enum section section);

/**
 * Reads every key of `node` (a mapping) that has a field into `into`, fills defaults, and adds
 * faults for unknown, missing, unfit and bad ones. `only`: the medium's bit, 0 for none. `owner`
 * names the section in messages: "line pad-line". False where `node` is no mapping.
 */
bool keys_read(struct plan_faults *faults, const struct node *node, enum section section,
               uint8_t only, const char *owner, void *into);

/** Text that grows to a bound. */
struct text_out {
    char *text;
    size_t length, room;
    bool is_full;
};
__attribute__((format(printf, 2, 3))) void text_put(struct text_out *out, const char *format, ...);
/** A scalar as YAML: plain where that is safe, else in double quotes. */
void text_put_scalar(struct text_out *out, const char *text);
/** The same, always in double quotes: a text that must not be taken for a number. */
void text_put_quoted(struct text_out *out, const char *text);
/** Writes every key with a field as `name: value`, each on a line of its own after `indent` blanks.
 */
void keys_write(struct text_out *out, enum section section, uint8_t only, int indent,
                const void *from);

#endif
