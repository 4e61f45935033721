/* SPDX-License-Identifier: Apache-2.0
 *
 * plan.h - what the operator asked for: a checked configuration with its maps, frozen. Immutable once made (but for the journal's
 * numbers of wells, set once before any thread starts), so threads and processes share it without locks.
 *
 * The canonical text is itself a configuration: maps inlined under `maps:`, every default filled in, secrets left out (only the paths of
 * their files). plan_from_text(plan->text) gives an equal plan with the same digest.
 */
#ifndef UPHOLE_PLAN_H
#define UPHOLE_PLAN_H

#include "uphole/error.h"
#include "uphole/quantity.h"
#include "uphole/scan.h"
#include "uphole/wire.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define PLAN_TEXT_MAX (1024 * 1024) /* also the limit of a configuration file */
#define PLAN_ERRORS_MAX 20
#define PLAN_WELLS_MAX 128 /* table blocks 0 to 127 */
#define PLAN_LINES_MAX 32
#define PLAN_DESTINATIONS_MAX 8
#define MAP_CHANNELS_MAX 100
#define MAP_MARKERS_MAX 8
#define MAP_RANGES_MAX 16
#define MAP_VALUES_MAX 32
#define LABEL_MAX 64
#define PATH_LENGTH_MAX 256

/* ---- maps ---- */

enum register_table { TABLE_NONE = 0, TABLE_COIL = 1, TABLE_DISCRETE = 2, TABLE_HOLDING = 3, TABLE_INPUT = 4 }; /* = read function */

enum register_type {
    TYPE_NONE = 0, TYPE_U16, TYPE_S16, TYPE_U32, TYPE_S32, TYPE_U64, TYPE_S64, TYPE_F32, TYPE_F64,
    TYPE_BCD16, TYPE_BCD32,
    TYPE_M10K32, /* two registers modulo 10,000: high * 10000 + low (each 0 to 9999) */
    TYPE_BITS,   /* the raw word(s) as they are, or the field bit_low..bit_high */
    TYPE_TEXT
};
unsigned register_type_words(enum register_type type); /* 1, 2 or 4; TEXT: 0, its length is the channel's n_words */
const char *register_type_name(enum register_type type); /* "u16", "m10k32", ... as in map files */
enum register_type register_type_from_name(const char *name, size_t length);

/** A raw pattern that means "sensor not fitted" (or a fault, or the end of the scale): compared with the words as read. */
struct marker {
    uint16_t words[4]; /* as they stand on the wire, first register first */
    uint8_t n_words;
};
/** value: text of an enumeration; `becomes` is the number published for it. */
struct map_value {
    uint32_t raw;
    int32_t becomes;
    char text[LABEL_MAX + 1];
};

/** While the unit-setting register holds `raw` (of its bits), numbers of that kind are in `unit`. */
#define UNIT_MEANINGS_MAX 8
struct unit_meaning {
    uint16_t raw;
    unit_number unit;
    bool has_scale;        /* numbers are scaled otherwise in this unit: `scale` stands in the place of the channels' */
    struct decimal scale;
};
/** What a unit-setting register says of one kind of quantity. */
struct unit_setting {
    uint8_t kind;          /* enum quantity */
    uint8_t at;            /* index of its register in the map's unit_registers */
    uint8_t bit_low, bit_high;
    uint8_t n_meanings;
    struct unit_meaning meaning[UNIT_MEANINGS_MAX];
};
#define UNIT_SETTINGS_MAX 2 /* pressure, temperature: those whose numbers show whether they follow */
#define UNIT_REGISTERS_MAX (UNIT_SETTINGS_MAX + 1)
struct register_at {
    uint8_t table;
    uint16_t address;
};

struct channel {
    uint16_t point;              /* number of points.md */
    uint8_t table;               /* enum register_table */
    uint8_t type;                /* enum register_type */
    uint8_t words, bytes;        /* enum word_order, byte_order; never UNSET for types of more than one register */
    uint8_t reference;           /* enum pressure_reference, of pressures */
    uint16_t address;            /* from 0, as on the wire, whatever the map's numbering */
    uint16_t n_words;            /* registers it takes */
    uint8_t bit_low, bit_high;   /* BITS */
    bool has_bits;
    struct decimal scale, offset;/* raw * scale + offset is in `unit` */
    unit_number unit;
    struct conversion to_point;  /* raw -> the point's own unit, in one step; where `setting` governs: while it means `unit` */
    uint8_t setting;             /* from 1: that of the map's unit_settings which says what unit its numbers are in; 0: always `unit` */
    uint8_t n_markers, n_faults, n_limits, n_values;
    struct marker not_fitted[MAP_MARKERS_MAX];
    struct marker faults[MAP_MARKERS_MAX]; /* -> 5 channel_fault */
    struct marker limits[MAP_MARKERS_MAX]; /* stated raw end values -> 74 limited */
    uint16_t not_fitted_if;      /* point number of a partner whose marker must stand in the same scan; 0: its own is enough */
    bool has_instrument_range, has_expected_range, has_max_rate, has_accuracy, has_resolution;
    double instrument_low, instrument_high; /* point's unit */
    double expected_low, expected_high;
    double max_rate_per_s;       /* point's unit a second, > 0 */
    double accuracy;             /* point's unit (a difference, for temperatures) */
    double resolution;           /* of the gauge, where it is coarser than a count; as accuracy */
    struct map_value values[MAP_VALUES_MAX];
    char about[LABEL_MAX + 1];   /* "rms" or "peak", side of the transformer, ... */
};

enum status_role { STATUS_NONE = 0, STATUS_LIVE, STATUS_STARTING, STATUS_SILENT, STATUS_FAULT };

struct register_range {
    uint8_t table;
    uint16_t first, last;
};

struct map {
    char name[NAME_LENGTH_MAX + 1];
    char about[PATH_LENGTH_MAX];
    uint32_t refresh_ms, first_data_ms;
    uint16_t largest_read;   /* registers, 1 to 125 */
    uint16_t n_readable, n_never, n_channels;
    struct register_range readable[MAP_RANGES_MAX]; /* may be read as padding */
    struct register_range never[MAP_RANGES_MAX];    /* must not be touched */
    bool has_status;
    uint8_t status_table;
    uint16_t status_address;
    uint8_t status_bit[16];  /* enum status_role of bit 0 to 15 (bits form) */
    uint8_t n_status_values; /* values form: whole word compared */
    struct { uint16_t raw; uint8_t role; } status_value[16];
    bool has_counter;        /* refresh counter: one register (u16) or two (u32) */
    uint8_t counter_table, counter_words /* 1 or 2 */, counter_order;
    uint16_t counter_address;
    uint8_t relayed_by;      /* enum source_kind of the device that relays, 0 none */
    uint32_t relay_delay_ms;
    bool holds_last;
    bool has_unit_register;
    uint8_t unit_register_table;
    uint16_t unit_register_address;
    uint8_t n_unit_registers, n_unit_settings;
    struct register_at unit_registers[UNIT_REGISTERS_MAX]; /* all that are read, each once; the first is that above, where it is stated */
    struct unit_setting unit_settings[UNIT_SETTINGS_MAX];
    struct channel channel[MAP_CHANNELS_MAX]; /* ascending by point number */
    uint16_t n_indexed;                       /* of them, that `place` knows; all, or it isn't used */
    uint8_t place[POINT_COUNT];               /* of a point in channel, from 1; 0: not mapped */
};

/* ---- lines, wells ---- */

enum line_medium { LINE_MEDIUM_SERIAL = 1, LINE_MEDIUM_TCP = 2 };
enum line_framing { LINE_FRAMING_TCP = 0, LINE_FRAMING_RTU = 1 }; /* of a TCP connection; a serial line is always RTU */

/** Beside another master: not at all; asking as well, by agreement; or listening only, never sending a byte. */
enum line_sharing { LINE_ALONE = 0, LINE_SHARED = 1, LINE_LISTENS = 2 };

struct line_plan {
    char name[NAME_LENGTH_MAX + 1];
    uint8_t medium;
    char device[PATH_LENGTH_MAX]; /* serial */
    char host[PATH_LENGTH_MAX];   /* tcp */
    uint16_t port;
    uint32_t baud;
    uint8_t data_bits, stop_bits;
    char parity;                  /* N, E or O */
    uint32_t response_timeout_ms;
    uint32_t listen_first_ms;     /* 0 on TCP; one refresh (longest of the line's maps) by default */
    uint8_t share_line;           /* enum line_sharing */
    uint8_t framing;              /* enum line_framing; RTU: a serial device server, `baud` is the far line's and for planning only */
    bool strip_echo;              /* the converter returns our own requests */
    bool rs485_driver;            /* the serial driver switches the converter's direction */
    int config_line;              /* where it stands in the file */
};
/** True where frames on this line are RTU: a serial line, or a serial device server behind a TCP connection. */
bool line_speaks_rtu(const struct line_plan *line);
/** Bits of one character on this line: start + data + parity + stop. */
unsigned line_bits_per_character(const struct line_plan *line);
/** t3.5 in us: 3.5 characters, or 1,750 us above 19,200 bit/s. Source: Modbus over Serial Line V1.02, 2.5.1.1. */
int64_t line_quiet_us(const struct line_plan *line);

enum fitted { FITTED_UNSTATED = 0, FITTED_YES = 1, FITTED_NO = 2 };

struct source_entry {
    int64_t from_utc_ms;
    uint16_t line;           /* index into plan->lines */
    uint16_t map;            /* index into plan->maps */
    uint8_t unit_id;         /* 1 to 247 on serial; 0 to 255 on TCP */
    uint32_t poll_every_ms;
    uint32_t refresh_ms;     /* of the map, unless overridden */
    uint32_t stale_limit_ms; /* stated, or 2 x poll + refresh + one round of the line */
    bool stale_limit_stated;
    uint8_t down_after;      /* whole scans in a row that fail before the line stage is down; 3 */
    uint16_t freeze_after;   /* refreshes; 40 */
    char serial_number[LABEL_MAX + 1];
    uint8_t fitted[POINT_COUNT];
    bool confirmed_units[POINT_COUNT]; /* kinds that need no confirmation are true */
    int config_line;
};

/** A deviation survey's station as it is written: m, deg, deg. */
struct survey_row {
    double md_m, inclination_deg, azimuth_deg;
};

/** A pump's curve at `curve_frequency`, by ascending rate at pump conditions. A column that the table doesn't have is NaN in all rows. */
#define PUMP_CURVE_ROWS_MAX 40
struct pump_curve_row {
    double rate_m3_d;
    double stage_head_m, head_m; /* of one stage, or of the whole pump: one of them */
    double stage_power_kw, power_kw; /* at the shaft, of fresh water: at most one of them */
    double efficiency_ratio;
};

/** A test of the inflow: a stable rate and the flowing pressure at the datum. */
#define INFLOW_TESTS_MAX 12
struct inflow_test {
    int64_t at_utc_ms;
    double rate_m3_d;
    double pressure_kpa; /* absolute, at the datum */
};

/** Conductor of a cable. Its resistance is measure's word (formula_cable.c). */
enum cable_size {
    CABLE_UNSTATED = 0, CABLE_AWG_1_0, CABLE_AWG_1, CABLE_AWG_2, CABLE_AWG_3, CABLE_AWG_4, CABLE_AWG_6, CABLE_AWG_8,
    CABLE_MM2_6, CABLE_MM2_10, CABLE_MM2_16, CABLE_MM2_25, CABLE_MM2_35, CABLE_MM2_50, CABLE_MM2_70,
    CABLE_SIZES
};

/** Depths that may be stated along the hole. */
enum well_depth { DEPTH_INTAKE = 0, DEPTH_GAUGE, DEPTH_DATUM, WELL_DEPTHS };

/** Dated well data. A datum that is not stated is NaN. */
struct well_data {
    int64_t from_utc_ms;
    double intake_depth_m;   /* true vertical; of a measured depth by the survey */
    double oil_gravity_api;
    double water_cut_ratio;
    double water_density_kg_m3;
    double liquid_density_kg_m3;
    double local_atmosphere_kpa; /* what a gauge pressure of this well counts from */
    double gauge_depth_m; /* true vertical */
    double datum_depth_m; /* true vertical */
    double port_spacing_m;
    double casing_inner_diameter_m, tubing_inner_diameter_m; /* kept for reviewers; no point needs them */
    double stages;
    double reference_frequency_hz;
    double liquid_rate_m3_d; /* at stock-tank conditions */
    double oil_volume_factor;
    double gas_gravity; /* air = 1 */
    double gas_oil_ratio_m3_m3;
    double annulus_density_kg_m3;
    double annulus_temperature_degc;
    double static_pressure_kpa; /* absolute, at the datum */
    double bubble_point_kpa; /* absolute */
    double index_m3_d_bar;
    double winding_limit_degc;
    double insulation_reference_degc;
    double measured_depth_m[WELL_DEPTHS]; /* as stated along the hole; NaN: stated as true vertical, or not at all */
    bool beyond_survey[WELL_DEPTHS];      /* that depth lies below the survey's last station: straight on from there */
    uint16_t n_survey, n_curve, n_tests;
    struct survey_row *survey; /* owned by the plan; ascending */
    struct pump_curve_row curve[PUMP_CURVE_ROWS_MAX];
    struct inflow_test test[INFLOW_TESTS_MAX]; /* in the order of the file */
    double curve_frequency_hz;
    double rated_power_kw, rated_voltage_v, rated_current_a, rated_frequency_hz; /* of the motor */
    double transformer_ratio;      /* motor side over drive side, of voltages */
    double transformer_efficiency; /* ratio */
    double cable_length_m;
    double cable_resistance_ohm_km; /* of one conductor at 20 degC */
    double cable_temperature_degc;  /* mean of the conductor */
    uint8_t cable_size;             /* enum cable_size; where cable_resistance isn't stated */
    double fetkovich_exponent;
    double statistics_coverage_ratio; /* least share of a window that Good readings must cover */
    double intake_pressure_limit_kpa; /* absolute */
};

struct well_plan {
    char id[NAME_LENGTH_MAX + 1];
    char label[LABEL_MAX + 1];
    uint16_t table_block;
    uint16_t number;         /* the journal's; its index here until plan_number_well */
    uint16_t n_entries[SOURCE_KINDS];
    struct source_entry *entries[SOURCE_KINDS]; /* ascending by from_utc_ms */
    uint16_t n_data;
    struct well_data *data;
    int config_line;
};

/* ---- destinations ---- */

enum destination_medium { DESTINATION_MQTT = 1, DESTINATION_MODBUS_TCP = 2 };
enum unit_set { UNITS_METRIC = 1, UNITS_US = 2, UNITS_OWN = 3 };

/** Which unit a destination sends a point in. */
struct unit_choice {
    uint8_t set;                          /* enum unit_set */
    unit_number by_kind[QUANTITY_COUNT_OF_KINDS]; /* 0: the set's own */
    bool with_uncertainty;                        /* records carry standard uncertainties too */
};
/** The unit in which a point goes out, and the resolution there (a point's resolution converted and rounded to 1, 2 or 5 x 10^n for own units). */
unit_number unit_choice_of(const struct unit_choice *choice, unsigned point, double *resolution);

struct view {
    uint8_t unit_id;
    struct unit_choice units;
    uint8_t words;           /* enum word_order */
    uint8_t missing_as;      /* 0 NaN, 1 last value, 2 number */
    double missing_number;
};
#define VIEWS_MAX 16
#define ALLOW_MAX 32

struct allow_rule {
    uint8_t family;          /* 4 or 6 */
    uint8_t prefix;
    uint8_t address[16];
};

struct destination_plan {
    char name[NAME_LENGTH_MAX + 1];
    uint8_t medium;
    char host[PATH_LENGTH_MAX];
    uint16_t port;
    /* MQTT */
    bool tls;
    uint8_t mqtt_version;    /* 5 or 3 (3.1.1) */
    char user[LABEL_MAX + 1];
    char password_file[PATH_LENGTH_MAX], ca_file[PATH_LENGTH_MAX], certificate_file[PATH_LENGTH_MAX], key_file[PATH_LENGTH_MAX];
    char topic_root[LABEL_MAX + 1];
    uint32_t latest_every_ms;
    bool from_oldest;        /* a new destination starts at the oldest row */
    uint32_t backlog_at_most; /* late records a second; 0: no limit */
    uint64_t at_most_a_month; /* bytes on the network; 0: no limit */
    struct unit_choice units;
    /* Modbus TCP */
    uint16_t n_views, n_allow;
    struct view views[VIEWS_MAX];
    struct allow_rule allow[ALLOW_MAX]; /* none stated: any address that reaches the listener */
    uint16_t clients, clients_per_address; /* 64 and 4 */
    uint32_t idle_ms;        /* 60 s */
    int config_line;
};

/** True where both ask for the same, wherever they stand in their files: its connection may go on (the index may still differ). */
bool destination_is_same(const struct destination_plan *a, const struct destination_plan *b);

/** Scans of an interval under review: retention takes nothing of it, nor anything younger. */
#define RETAIN_MAX 16
struct retained {
    int64_t from_utc_ms, to_utc_ms; /* both included */
    char reason[LABEL_MAX + 1];
};

struct journal_plan {
    char path[PATH_LENGTH_MAX]; /* a directory */
    uint64_t keep_ms;
    uint64_t at_most_bytes;
    uint8_t n_retain;
    struct retained retain[RETAIN_MAX]; /* as stated */
};

struct plan {
    char config_file[64];    /* base name of the file, for messages; "" where the plan came from a text. Not part of the text */
    char digest[65];         /* SHA-256 of text, hex */
    uint32_t digest_32;      /* its first 32 bits */
    uint32_t id;             /* the journal's, 0 until numbered */
    char site[NAME_LENGTH_MAX + 1];
    char box[NAME_LENGTH_MAX + 1];
    char orders_group[NAME_LENGTH_MAX + 1]; /* its members may give orders at the local socket; "": the owner and root alone */
    uint16_t n_lines, n_maps, n_wells, n_destinations;
    struct line_plan *lines;
    struct map *maps;
    struct well_plan *wells;
    struct destination_plan *destinations;
    struct journal_plan journal;
    char *text;              /* canonical */
    size_t text_length;
};

/** One fault of a configuration or map. */
struct plan_fault {
    char file[PATH_LENGTH_MAX];
    int line, column;        /* from 1; 0 where the whole file is meant */
    char text[UP_WHY_MAX];   /* "what; expected what; did you mean X" */
};
struct plan_faults {
    int n;                   /* at most PLAN_ERRORS_MAX are kept */
    int more;                /* found beyond those */
    struct plan_fault fault[PLAN_ERRORS_MAX];
};

/**
 * Reads, checks and freezes a configuration file. Maps are looked up as NAME.yaml in `maps_directory` (NULL: `maps` beside the file, then the
 * installed directory), unless the file inlines them. On success *plan is owned by the caller (plan_free). On failure `faults` holds all that was found.
 * UP_E_MISSING where the file can't be read; UP_E_CONFIG else. Secrets' files are checked for owner and mode, not read.
 */
UP_MUST enum up_rc plan_from_file(const char *path, const char *maps_directory, struct plan **plan,
                                  struct plan_faults *faults);
/** The same from a text in memory (canonical text of a journal or of the wall); `name` stands in messages. Secrets' files are not looked at. */
UP_MUST enum up_rc plan_from_text(const char *name, const char *text, size_t length,
                                  struct plan **plan, struct plan_faults *faults);
/** Reads one map file. *map is owned by the caller (free). */
UP_MUST enum up_rc map_from_file(const char *path, struct map **map, struct plan_faults *faults);
/** The map NAME of `maps_directory` (NULL: as above, without a file beside). */
UP_MUST enum up_rc map_by_name(const char *name, const char *maps_directory, struct map **map,
                               struct plan_faults *faults);
void plan_free(struct plan *plan);

/** True where the line, every source that ever stands on it and their maps are asked for alike in both plans: its thread may go on. Pure. */
bool plan_line_is_same(const struct plan *a, const struct plan *b, const char *line);
/** True where the well is measured alike in both: its sources, their maps and lines, its data; label and table block don't matter. A fold goes on
 *  over such a change of plan, and begins anew over any other. Pure. */
bool plan_well_is_same(const struct plan *a, const struct plan *b, const char *well_id);
/** True where a source of a well is asked for and read alike in both: its entries, their maps and lines. Pure. */
bool plan_source_is_same(const struct plan *a, const struct plan *b, const char *well_id, uint8_t source);
/** True where `asked` can only be taken by a start: another site, box or journal, a well removed or renamed. `why` names it, for a sentence. */
bool plan_needs_restart(const struct plan *running, const struct plan *asked, char *why, size_t room);
/** `file:line:column: text` into `into`; returns its length. */
size_t plan_fault_to_text(const struct plan_fault *fault, char *into, size_t room);

/**
 * The entry of a source valid at `utc_ms`; NULL where the well has no such source. Where the time is earlier than all, the first one: a box whose
 * clock was never set must still read the well that stands before it. `check` advises where that is so by its clock. plan_data_at does the same.
 */
const struct source_entry *plan_entry_at(const struct well_plan *well, uint8_t source, int64_t utc_ms);
const struct well_data *plan_data_at(const struct well_plan *well, int64_t utc_ms);
const struct well_plan *plan_well_by_number(const struct plan *plan, uint16_t number);
const struct well_plan *plan_well_by_id(const struct plan *plan, const char *id);
const struct channel *map_channel(const struct map *map, unsigned point); /* NULL: not mapped */
/** The meaning of a word of the setting's register, or NULL: the map doesn't know it. */
const struct unit_meaning *unit_meaning_of(const struct unit_setting *setting, uint16_t word);
/** The bits of the word that concern this setting. */
uint16_t unit_setting_bits(const struct unit_setting *setting, uint16_t word);
/** How a governed channel's numbers become the point's unit while `meaning` holds. False: they can't, which a map that was read rules out. */
bool unit_meaning_conversion(const struct channel *channel, const struct unit_meaning *meaning, struct conversion *out);
/** SHA-256, hex, of a map of the plan as the canonical text has it, its name left out. UP_E_MEMORY. */
UP_MUST enum up_rc plan_map_digest(const struct plan *plan, uint16_t map, char into[static 65], struct up_error *error);
/** Sets the journal's number of well `index`; only before threads start. */
void plan_number_well(struct plan *plan, uint16_t index, uint16_t number);

/**
 * Upper bound, ms, of one round of a line: each source once, and the longest probe of a dead unit (2 x response_timeout). Pure. It enters the
 * stale limit where none is stated; gather's line_round_us is the exact figure, and `check` shows both.
 */
uint32_t plan_round_ms(const struct plan *plan, uint16_t line);

/** Print all of docs/configuration.md, and the part of docs/maps.md between its marks, from the one table of keys that the parser uses. */
void plan_print_configuration_reference(void *stream /* FILE */);
void plan_print_maps_reference(void *stream /* FILE */);

#endif
