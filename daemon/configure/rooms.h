/* SPDX-License-Identifier: Apache-2.0
 *
 * rooms.h - what the files of this room ask of each other.
 */
#ifndef UPHOLE_CONFIGURE_ROOMS_H
#define UPHOLE_CONFIGURE_ROOMS_H

#include "keys.h"

#define PLAN_MAPS_MAX 64
#define ENTRIES_MAX_OF_SOURCE 64
#define ENTRIES_MAX_OF_PLAN 1024

/** Everything that is known while a configuration is read. */
struct reading_room {
    struct plan_faults *faults;
    struct plan *plan;
    const char *file;
    const char *maps_directory; /* NULL: none may be looked up */
    bool look_at_files;         /* maps and secrets are files of this machine */
    int n_entries;              /* of all sources so far */
    bool map_is_good[PLAN_MAPS_MAX];
    const struct node *well_node[PLAN_WELLS_MAX]; /* in the order of the plan */
};

/** Fills `map` (zeroed) from a mapping; faults are added. False where any was. */
bool map_read(struct plan_faults *faults, const struct node *node, struct map *map);
/** One channel of a map. */
void channel_read(struct plan_faults *faults, const struct node *node, const struct map *map,
                  int numbering, struct channel *channel);
/** `input: 16` or `holding: 40017` of a register's section: table and address from 0. False and a
 * fault where there isn't exactly one. */
bool address_read(struct plan_faults *faults, const struct node *node, int numbering,
                  unsigned n_words, bool bits_too, const char *owner, uint8_t *table,
                  uint16_t *address);
/** unit_setting.c: `unit_register` of a map: where it is, and what its words mean. */
void unit_register_read(struct plan_faults *faults, const struct node *node, int numbering,
                        struct map *map);
/** Once the channels stand: which of them the setting governs, and whether both fit. */
void unit_settings_check(struct plan_faults *faults, const struct node *node,
                         const struct node *channels, struct map *map);
void unit_register_write(struct text_out *out, const struct map *map, int indent);
/** A number as the map's document prints it to an address from 0. */
bool address_from_text(struct plan_faults *faults, const struct node *node, const char *text,
                       size_t length, int numbering, uint8_t table, uint16_t *address);
/** A list of raw contents, as they stand on the wire. */
void markers_read(struct plan_faults *faults, const struct node *list, const char *name,
                  const struct channel *channel, struct marker *into, uint8_t *n);
/** A fault where one register content stands in two of the lists. */
void markers_differ(struct plan_faults *faults, const struct node *node,
                    const struct channel *channel);
void values_read(struct plan_faults *faults, const struct node *node, struct channel *channel);
const char *point_name_at(const void *context, int i);

void lines_read(struct reading_room *room, const struct node *lines);
void lines_listen_by_default(struct reading_room *room, const struct node *lines);
void wells_read(struct reading_room *room, const struct node *wells);
void destinations_read(struct reading_room *room, const struct node *destinations);
/** Time, ms, that one round of a line takes at the very least: its bytes alone, every unit
 * answering at once. */
uint32_t round_least_ms(const struct plan *plan, uint16_t line);
/** One entry of `well_data` (zeroed), with its tables and depths. Its survey is the plan's to free.
 */
void data_read(struct reading_room *room, const struct node *node, const char *owner,
               struct well_data *data);
/** Its canonical text. */
void data_write(struct text_out *out, const struct well_data *data);
/** Rules between sections; only where all sections were read without a fault. */
void rules_check(struct reading_room *room);
/** `host`, `host:port`, `[IPv6]:port`. `form` is what was expected, for messages. */
bool host_and_port(struct plan_faults *faults, const struct node *node, const char *text,
                   const char *form, uint16_t default_port, char host[static PATH_LENGTH_MAX],
                   uint16_t *port);
bool host_is_this_box(const char *host);
/** NULL where a secret's file is private to its reader; else what is wrong with it. `mode` of
 * stat(2). */
const char *secret_fault(const char *path, unsigned mode, unsigned owner, unsigned reader);

/** Writes the canonical text and the digest of a plan. UP_E_FULL beyond PLAN_TEXT_MAX. */
UP_MUST enum up_rc plan_freeze(struct plan *plan, struct up_error *error);
void map_write(struct text_out *out, const struct map *map, int indent);

/** Reads the map `name` into `map` (zeroed) from NAME.yaml of `directory`, else of the installed
 * one. `named_at` is where it is asked for. */
bool map_read_by_name(struct plan_faults *faults, const struct node *named_at, const char *name,
                      const char *directory, struct map *map);
/** Reads a whole file of at most PLAN_TEXT_MAX bytes; NULL and a fault else. *missing where it
 * isn't there or can't be read. */
char *file_read(struct plan_faults *faults, const char *path, size_t *length, bool *missing);

#endif
