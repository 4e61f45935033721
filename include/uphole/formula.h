/* SPDX-License-Identifier: Apache-2.0
 *
 * formula.h - what an engineer of pumped wells computes by hand: pure functions in coherent SI units, each with its inputs, validity and source.
 *
 * One row a formula. The same rows serve derived points, `uphole calculate` and the tables of worked examples, so that what is shown by hand is
 * what the daemon publishes. A result is a number with flags, or no number with one reason: never 0 or NaN in place of "no value".
 */
#ifndef UPHOLE_FORMULA_H
#define UPHOLE_FORMULA_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define FORMULA_INPUTS_MAX 32
#define FORMULA_STEPS_MAX 32
#define FORMULA_NO_INPUT 255u

/* ---- units: any product of powers of known units, by dimension ---- */

enum formula_base { BASE_METRE, BASE_KILOGRAM, BASE_SECOND, BASE_AMPERE, BASE_KELVIN, BASE_MOLE, BASE_ANGLE /* so that rad/s is no r/min */, FORMULA_BASES };
enum formula_qualifier { QUALIFIER_NONE = 0, QUALIFIER_ABSOLUTE, QUALIFIER_GAUGE, QUALIFIER_RMS, QUALIFIER_PEAK };

/** SI value = written x factor + offset. */
struct formula_unit {
    double factor, offset; /* offset: only of degC and degF of a temperature */
    int8_t dimension[FORMULA_BASES];
    uint8_t qualifier; /* enum formula_qualifier: "MPa abs", "psia", "mm/s rms", ... */
};
/**
 * Reads a unit: names joined by a space or `.` (times) and `/`, with parentheses, powers (`m3`, `psi^2`) and plain numbers (`deg/30m`);
 * "" and "1" are the pure number. `temperature`: degC and degF count from their zero (else they are differences). False where it is not
 * understood. Factors: NIST SP 811 (2008) and exact definitions, beside each row of formula_units.c.
 */
bool formula_unit_parse(const char *text, size_t length, bool temperature, struct formula_unit *out);
bool formula_unit_same_dimension(const struct formula_unit *a, const struct formula_unit *b);

/* ---- formulas ---- */

/** Why there is no value; where several apply, the first of them holds. */
enum formula_reason {
    REASON_NONE = 0,       /* there is a value */
    REASON_CONFIG_MISSING, /* a constant, survey or fluid property is not configured or unusable */
    REASON_NOT_FITTED,     /* an input's raw word is the marker of a sensor that is not fitted */
    REASON_INPUT_MISSING,  /* a measured input was not read, or is too old */
    REASON_INPUT_BAD,      /* an input was read, but judged bad */
    REASON_PUMP_STOPPED,   /* exists only while the pump runs */
    REASON_TOO_FEW,        /* not enough distinct samples */
    REASON_GAP,            /* the window is empty or crosses too long a gap */
    REASON_DOMAIN,         /* the inputs make the formula impossible */
    REASON_NOT_CONVERGED,  /* the bound of the iteration was reached */
    FORMULA_REASONS
};
const char *formula_reason_name(enum formula_reason reason); /* "config_missing", ... */

enum formula_flag {
    FLAG_OUTSIDE_VALIDITY = 1, /* outside the range in which the formula was established */
    FLAG_EXTRAPOLATED = 2,     /* beyond the survey, curve or table */
    FLAG_UNIT_SUSPECT = 4,     /* smells of a double conversion */
    FLAG_REVERSED_DP = 8,      /* discharge below intake */
    FLAG_LIMITED = 16,         /* clamped; the true value lies beyond */
    FLAG_UNCERTAIN = 32        /* by a rule of the formula */
};
const char *formula_flag_name(enum formula_flag flag); /* one flag: "outside_validity", ... */

struct formula_result {
    double value;    /* coherent SI unit of formula->unit; only with REASON_NONE */
    uint8_t reason;  /* enum formula_reason */
    uint8_t flags;   /* enum formula_flag */
    uint8_t culprit; /* index of the input that the reason names, or FORMULA_NO_INPUT */
};

enum formula_take {
    TAKE_MEASURED = 0, /* missing: input_missing */
    TAKE_CONFIGURED,   /* missing: config_missing */
    TAKE_OPTION,       /* one of `choices`; its value is the index of the choice, 0 where it is not given */
    TAKE_REMARK        /* named in worked examples, takes no part */
};
enum formula_bound { BOUND_NONE = 0, BOUND_POSITIVE, BOUND_NOT_NEGATIVE, BOUND_RATIO /* 0 to 1 */ };

struct formula_input {
    const char *name;    /* as engineers write it: "p_d", "rho", "Q" */
    const char *unit;    /* its own, taken where none is written: "Pa", "degC" (a temperature), "K" (a difference), "" */
    const char *about;
    const char *choices; /* of an option: "n-1|n" */
    uint8_t take;        /* enum formula_take */
    uint8_t bound;       /* enum formula_bound: beyond it the reason is `domain`, naming this input */
    bool optional;       /* not given: formula_given.present is false, and the formula knows what to do */
    bool list;           /* many values; its own order counts */
    bool absolute;       /* of pressures: gauge is refused */
};

/** What was given for one input, in coherent SI units. */
struct formula_given {
    double value;
    const double *list; /* of a list; borrowed */
    size_t n;
    bool present;       /* named at all */
    uint8_t qualifier;  /* enum formula_qualifier of the unit it was written in */
    uint8_t reason;     /* enum formula_reason of the input itself: NONE, INPUT_MISSING, CONFIG_MISSING, NOT_FITTED or INPUT_BAD */
};

/** Intermediate results, for a person who checks by hand; more than fit are dropped. */
struct formula_steps {
    size_t n;
    struct { const char *symbol, *unit; double value /* SI */; } step[FORMULA_STEPS_MAX];
};

struct formula {
    const char *label;      /* "pump.pressure_head"; several rows of one label are its forms, told apart by their inputs */
    const char *title;      /* "Pump head from the pressure difference" */
    const char *expression; /* in field symbols: "H = (p_d - p_i) / (rho g)" */
    const char *unit;       /* of the result, as published by default */
    const char *validity;   /* in words; "" where there is no limit */
    const char *source;     /* standard, paper, book; how it was read */
    uint8_t n_inputs;
    const struct formula_input *input;
    /** `given` has n_inputs entries, all required ones present and finite and within their bounds. Fills value, or reason; may add flags.
     *  Never loops without a bound, never allocates. `steps` may be NULL. */
    void (*compute)(const struct formula_given *given, struct formula_steps *steps, struct formula_result *out);
};

size_t formula_count(void);
const struct formula *formula_at(size_t index);
/** The first form of `label` that knows all of `names` and whose required inputs are all among them; NULL: none. `n` names. */
const struct formula *formula_find(const char *label, const char *const *names, size_t n);
/** The first form of a label; NULL where it is not known. */
const struct formula *formula_by_label(const char *label);
/** Index of an input, or n_inputs. */
size_t formula_input_index(const struct formula *formula, const char *name);

/**
 * Evaluates: first the inputs' own reasons, then bounds, then the formula; a result that is not finite is `domain`. Never NaN with
 * REASON_NONE. `steps` may be NULL.
 */
void formula_evaluate(const struct formula *formula, const struct formula_given *given, struct formula_steps *steps,
                      struct formula_result *out);
/**
 * Standard uncertainty of the result from those of its inputs, first order and uncorrelated (JCGM 100:2008, 5.1.2), sensitivities by central
 * differences. `u[i]` in SI, 0 where an input has none; lists take no part. `part[i]` (may be NULL) receives |c_i u_i|.
 * Returns REASON_NONE and *out, or why there is none.
 */
enum formula_reason formula_uncertainty(const struct formula *formula, const struct formula_given *given, const double *u,
                                        double *part, double *out);

/* ---- for the formulas themselves ---- */

void formula_step(struct formula_steps *steps, const char *symbol, double value, const char *unit);
static inline void formula_none(struct formula_result *out, enum formula_reason reason, unsigned culprit)
{
    out->reason = (uint8_t)reason;
    out->culprit = (uint8_t)culprit;
}
/** The value of an optional input, or what stands for it. */
static inline double formula_or(const struct formula_given *given, double otherwise)
{
    return given->present ? given->value : otherwise;
}

#endif
