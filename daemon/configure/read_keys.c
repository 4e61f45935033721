/* SPDX-License-Identifier: Apache-2.0
 *
 * read_keys.c - one section of a file by the table of keys: unknown, missing, unfit and bad keys
 * are faults; defaults are filled in.
 */
#include "keys.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Words that people bring along, and the key that they mean. */
static const struct {
    uint8_t section;
    const char *word, *hint;
} HINTS[] = {
    {SECTION_TOP, "map", "this looks like a map; check it with `uphole check --map FILE`"},
    {SECTION_MAP, "site",
     "this looks like a configuration, not a map; check it with `uphole check FILE`"},
    {SECTION_DESTINATION, "password",
     "secrets never stand in this file; put it in a file of its own and name that in "
     "`password_file`"},
    {SECTION_DESTINATION, "username", "did you mean `user`"},
    {SECTION_DESTINATION, "host", "write `mqtt: mqtts://host:port` or `modbus_tcp: address:port`"},
    {SECTION_DESTINATION, "port", "write `mqtt: mqtts://host:port` or `modbus_tcp: address:port`"},
    {SECTION_LINE, "baud", "did you mean `speed`, such as `speed: 9600 baud`"},
    {SECTION_LINE, "baudrate", "did you mean `speed`, such as `speed: 9600 baud`"},
    {SECTION_LINE, "parity", "did you mean `frame`, such as `frame: 8N1`"},
    {SECTION_LINE, "timeout", "did you mean `response_timeout`"},
    {SECTION_LINE, "port", "write `serial: /dev/...` or `tcp: host:port`"},
    {SECTION_LINE, "host", "write `tcp: host:port`"},
    {SECTION_ENTRY, "address", "did you mean `unit_id`"},
    {SECTION_ENTRY, "poll", "did you mean `poll_every`"},
    {SECTION_CHANNEL, "address",
     "write `input`, `holding`, `coil` or `discrete` with the register's number"},
    {SECTION_CHANNEL, "register",
     "write `input`, `holding`, `coil` or `discrete` with the register's number"},
    {SECTION_CHANNEL, "word_order", "did you mean `words`, such as `words: high-first`"},
    {SECTION_CHANNEL, "byte_order", "did you mean `bytes`"},
    {SECTION_CHANNEL, "range", "did you mean `instrument_range` or `expected_range`"},
    {SECTION_CHANNEL, "marker", "did you mean `not_fitted`"},
};

struct names_of {
    enum section section;
    uint8_t only;
};

static bool key_fits(const struct key *key, enum section section, uint8_t only)
{
    return key->section == section && (only == 0 || key->only == 0 || (key->only & only) != 0);
}

static const char *key_name_at(const void *context, int i)
{
    const struct names_of *of = context;
    for (int k = 0; key_at(k); k++)
        if (key_fits(key_at(k), of->section, of->only) && i-- == 0)
            return key_at(k)->name;
    return NULL;
}

static const char *medium_name(enum section section, uint8_t only)
{
    if (section == SECTION_LINE && only == LINE_KEYS_RTU_OVER_TCP)
        return "a TCP connection with RTU frames";
    if (section == SECTION_LINE)
        return only == LINE_MEDIUM_TCP ? "a TCP connection" : "a serial line";
    return only == DESTINATION_MQTT ? "an MQTT broker" : "a Modbus TCP table";
}

/** The key of this name, the one that fits the medium where there are several. */
static const struct key *key_find(enum section section, uint8_t only, const char *name)
{
    const struct key *found = NULL;
    for (int i = 0; key_at(i); i++)
        if (key_at(i)->section == section && strcmp(key_at(i)->name, name) == 0 &&
            (found == NULL || key_fits(key_at(i), section, only)))
            found = key_at(i);
    return found;
}

static void fault_of_unknown(struct plan_faults *faults, const struct node *value,
                             enum section section, uint8_t only, const char *owner)
{
    const struct names_of of = {section, only};
    const struct node *key = value->key;
    if (value->kind == NODE_SCALAR && value->length == 0 && !value->quoted) {
        /* what is left of `about: motor side, computed` between braces */
        fault_at(faults, key,
                 "unknown key `%.60s` without a value in %s; if it belongs to the text before it, "
                 "put that text in quotes: between braces a comma ends a value",
                 key->text, owner);
        return;
    }
    for (size_t i = 0; i < sizeof HINTS / sizeof HINTS[0]; i++) {
        if (HINTS[i].section == section && strcmp(HINTS[i].word, key->text) == 0) {
            fault_at(faults, key, "unknown key `%s` in %s; %s", key->text, owner, HINTS[i].hint);
            return;
        }
    }
    const char *close = suggest(key->text, key_name_at, &of);
    if (close) {
        fault_at(faults, key, "unknown key `%.60s` in %s; did you mean `%s`", key->text, owner,
                 close);
        return;
    }
    char names[200];
    join_names(names, sizeof names, key_name_at, &of);
    fault_at(faults, key, "unknown key `%.60s` in %s; expected %s", key->text, owner, names);
}

static void put_whole(const struct key *key, void *into, uint64_t value)
{
    void *at = (char *)into + key->offset;
    if (key->size == 1)
        *(uint8_t *)at = (uint8_t)value;
    else if (key->size == 2)
        *(uint16_t *)at = (uint16_t)value;
    else if (key->size == 4)
        *(uint32_t *)at = (uint32_t)value;
    else
        *(uint64_t *)at = value;
}

static void read_value(struct plan_faults *faults, const struct node *node, const struct key *key,
                       void *into)
{
    char *at = (char *)into + key->offset;
    uint64_t whole = 0;
    int choice = 0;
    switch ((enum value_kind)key->kind) {
    case VALUE_NAME:
        (void)value_name(faults, node, key->name, at);
        break;
    case VALUE_LABEL:
        (void)value_label(faults, node, key->name, at, key->size);
        break;
    case VALUE_PATH:
        (void)value_path(faults, node, key->name, at, key->size);
        break;
    case VALUE_DURATION:
        if (value_duration(faults, node, key->name, key->low, key->high, &whole))
            put_whole(key, into, whole);
        break;
    case VALUE_SIZE:
        if (value_size(faults, node, key->name, key->low, key->high, &whole))
            put_whole(key, into, whole);
        break;
    case VALUE_WHOLE:
        if (value_whole(faults, node, key->name, key->low, key->high, key->suffix, &whole))
            put_whole(key, into, whole);
        break;
    case VALUE_YES_NO:
        (void)value_yes_no(faults, node, key->name, (bool *)at);
        break;
    case VALUE_CHOICE:
        if (value_choice(faults, node, key->name, key->choices, &choice))
            put_whole(key, into, (uint64_t)choice);
        break;
    case VALUE_INSTANT:
        (void)value_instant(faults, node, key->name, (int64_t *)(void *)at);
        break;
    case VALUE_QUANTITY:
        (void)value_quantity(faults, node, key->name, unit_of_kind(key->quantity), key->low,
                             key->high, key->suffix, (double *)(void *)at);
        break;
    case VALUE_SPECIAL:
        break;
    }
}

static void fill_default(struct plan_faults *faults, const struct node *section,
                         const struct key *key, const char *owner, void *into)
{
    if (key->required) {
        fault_at(faults, section->key ? section->key : section, "%s has no `%s`; expected %s",
                 owner, key->name, key->form);
    } else if (key->kind != VALUE_SPECIAL && key->fallback) {
        const struct node text = {.kind = NODE_SCALAR,
                                  .line = section->line,
                                  .column = section->column,
                                  .file = section->file,
                                  .text = key->fallback,
                                  .length = strlen(key->fallback)};
        read_value(faults, &text, key, into);
    } else if (key->kind == VALUE_QUANTITY) {
        *(double *)(void *)((char *)into + key->offset) = NAN;
    }
}

bool keys_read(struct plan_faults *faults, const struct node *node, enum section section,
               uint8_t only, const char *owner, void *into)
{
    if (node->kind != NODE_MAP) {
        fault_at(faults, node, "%s holds %s; expected a section of `key: value` lines", owner,
                 node_kind_name(node));
        return false;
    }
    for (const struct node *at = node->first; at; at = at->next) {
        const struct key *key = key_find(section, only, at->key->text);
        if (!key)
            fault_of_unknown(faults, at, section, only, owner);
        else if (!key_fits(key, section, only))
            fault_at(faults, at->key, "`%s` has no meaning for %s, %s; leave it out", key->name,
                     owner, medium_name(section, only));
    }
    for (int i = 0; key_at(i); i++) {
        const struct key *key = key_at(i);
        if (!key_fits(key, section, only))
            continue;
        const struct node *value = node_find(node, key->name);
        if (!value)
            fill_default(faults, node, key, owner, into);
        else if (key->kind != VALUE_SPECIAL)
            read_value(faults, value, key, into);
        else if (value->kind == NODE_SCALAR && value->length == 0)
            fault_at(faults, value->key, "`%s` is empty; expected %s", key->name, key->form);
    }
    return true;
}
