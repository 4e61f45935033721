/* SPDX-License-Identifier: Apache-2.0
 *
 * values.h - one scalar to one typed value. Each function reads a node, says what is wrong with it
 * in `faults` and returns false, or fills its result. `name` is the key as the reader of a message
 * knows it.
 */
#ifndef UPHOLE_CONFIGURE_VALUES_H
#define UPHOLE_CONFIGURE_VALUES_H

#include "tree.h"

/** False, with a fault that says what was expected, where the node is no scalar or an empty one. */
bool value_is_text(struct plan_faults *faults, const struct node *node, const char *name,
                   const char *expected);
/** [a-z0-9-]{1,32} */
bool value_name(struct plan_faults *faults, const struct node *node, const char *name,
                char into[static NAME_LENGTH_MAX + 1]);
bool name_is_valid(const char *text, size_t length);
/** Free text of at most room - 1 bytes. */
bool value_label(struct plan_faults *faults, const struct node *node, const char *name, char *into,
                 size_t room);
/** A path that begins with `/`. */
bool value_path(struct plan_faults *faults, const struct node *node, const char *name, char *into,
                size_t room);
/** `500 ms`, `1 s`, `5 min`, `2 h`, `400 days`. Bounds and result in ms. */
bool value_duration(struct plan_faults *faults, const struct node *node, const char *name,
                    double low_ms, double high_ms, uint64_t *ms);
/** `500 MB`, `2 GB` (powers of ten). */
bool value_size(struct plan_faults *faults, const struct node *node, const char *name, double low,
                double high, uint64_t *bytes);
/** A whole number, followed by the word `suffix` where that isn't NULL. */
bool value_whole(struct plan_faults *faults, const struct node *node, const char *name, double low,
                 double high, const char *suffix, uint64_t *whole);
bool value_yes_no(struct plan_faults *faults, const struct node *node, const char *name, bool *yes);
/** RFC 3339 with its offset. */
bool value_instant(struct plan_faults *faults, const struct node *node, const char *name,
                   int64_t *utc_ms);
/** `850 psi`, followed by the word `suffix` where that isn't NULL. Bounds and result in the unit
 * `in`. */
bool value_quantity(struct plan_faults *faults, const struct node *node, const char *name,
                    unit_number in, double low, double high, const char *suffix, double *value);
/** `0 to 60 MPa`; result in the unit `in`, low < high. For a `bare` kind there is no unit. */
bool value_range(struct plan_faults *faults, const struct node *node, const char *name,
                 unit_number in, double *low, double *high);
/** `0.3 MPa/min`; result in the unit `in` a second, > 0. Temperatures take a unit of difference. */
bool value_rate(struct plan_faults *faults, const struct node *node, const char *name,
                unit_number in, double *per_s);
/** `0 to 63`: two whole numbers as written; equal where one number stands alone. */
bool value_span(struct plan_faults *faults, const struct node *node, const char *name,
                const char **low, size_t *low_length, const char **high, size_t *high_length);
/** A decimal number without a unit. */
bool value_decimal(struct plan_faults *faults, const struct node *node, const char *name,
                   struct decimal *value);

struct choice {
    const char *name; /* NULL ends a list */
    int value;
};
bool value_choice(struct plan_faults *faults, const struct node *node, const char *name,
                  const struct choice *choices, int *value);
const char *choice_name(const struct choice *choices, int value);

/** Splits "12.5 MPa" into its number and the rest, without blanks around it. False where no number
 * stands first. */
bool split_number(const char *text, size_t length, struct decimal *number, const char **rest,
                  size_t *rest_length);
/** "`name: text` is out of range; expected low to high" */
void fault_of_range(struct plan_faults *faults, const struct node *node, const char *name,
                    const char *low, const char *high);

/* ---- texts ---- */

/** A whole number in decimal or 0x hex; false where it is none or above 64 bits. */
bool whole_from_text(const char *text, size_t length, uint64_t *whole);
/** Number of characters that a decimal number takes at the start of `text`. */
size_t number_length(const char *text, size_t length);
/** Units of a kind, "kPa, MPa, bar or psi", for messages. */
void units_of_kind(enum quantity kind, char *into, size_t room);
/** The difference kind of temperatures, else `unit` itself: the unit of a rate or an accuracy. */
unit_number unit_of_difference(unit_number unit);
/** `name` as known words close to it; NULL where none is. Names are offered one by one:
 * name_of(context, i), NULL at the end. */
const char *suggest(const char *text, const char *(*name_of)(const void *context, int i),
                    const void *context);
/** Joins names to "a, b or c", as many as fit in `room`. */
void join_names(char *into, size_t room, const char *(*name_of)(const void *context, int i),
                const void *context);

/** Exact text of a decimal, without exponent: "-273.15", "0.001". */
#define DECIMAL_TEXT_MAX 64
void decimal_to_text(struct decimal value, char into[static DECIMAL_TEXT_MAX]);
/** The shortest decimal that reads back as the same double; {0, 0} where it is not finite. */
struct decimal decimal_from_double(double value);
/** The longest exact of days, h, min, s, ms. */
void duration_text(uint64_t ms, char into[static DECIMAL_TEXT_MAX]);
void size_text(uint64_t bytes, char into[static DECIMAL_TEXT_MAX]);

#endif
