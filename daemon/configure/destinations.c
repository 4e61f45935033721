/* SPDX-License-Identifier: Apache-2.0
 *
 * destinations.c - the ways out: brokers and register tables; and the files of their secrets, which
 * are checked, never read, here.
 */
#include "rooms.h"

#include <arpa/inet.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* ---- units and views ---- */

static const char *kind_name_at(const void *context, int i)
{
    (void)context;
    return i + 1 < QUANTITY_COUNT_OF_KINDS ? quantity_name((enum quantity)(i + 1)) : NULL;
}

static void units_of_kinds_read(struct plan_faults *faults, const struct node *units,
                                struct unit_choice *choice)
{
    choice->set = UNITS_OWN;
    for (const struct node *at = units->first; at; at = at->next) {
        char names[160];
        const enum quantity kind = quantity_from_name(at->key->text, at->key->length);
        if (kind == QUANTITY_NONE) {
            const char *close = suggest(at->key->text, kind_name_at, NULL);
            fault_at(
                faults, at->key,
                "`%.40s` is no kind of quantity; expected such as pressure or temperature%s%s%s",
                at->key->text, close ? "; did you mean `" : "", close ? close : "",
                close ? "`" : "");
            continue;
        }
        units_of_kind(kind, names, sizeof names);
        if (!value_is_text(faults, at, at->key->text, names))
            continue;
        choice->by_kind[kind] = unit_find(at->text, at->length, kind);
        if (!choice->by_kind[kind])
            fault_at(faults, at, "`%.40s` is no unit of %s; expected %s", at->text,
                     quantity_name(kind), names);
    }
}

static void units_read(struct plan_faults *faults, const struct node *units,
                       struct unit_choice *choice)
{
    static const struct choice SETS[] = {{"metric", UNITS_METRIC}, {"us", UNITS_US}, {NULL, 0}};
    int set = UNITS_METRIC;
    choice->set = UNITS_METRIC;
    if (units && units->kind == NODE_MAP)
        units_of_kinds_read(faults, units, choice);
    else if (units && value_choice(faults, units, "units", SETS, &set))
        choice->set = (uint8_t)set;
}

static void missing_read(struct plan_faults *faults, const struct node *node, struct view *view)
{
    struct decimal number;
    if (!node || node_is(node, "nan"))
        return;
    if (node_is(node, "last")) {
        view->missing_as = 1;
    } else if (node->kind == NODE_SCALAR &&
               number_length(node->text, node->length) == node->length &&
               decimal_from_text(node->text, node->length, &number)) {
        view->missing_as = 2;
        view->missing_number = decimal_to_double(number);
        if (!isfinite((float)view->missing_number)) /* it stands in the table as a float32 */
            fault_at(faults, node, "`missing_as: %.40s` doesn't fit in a float32", node->text);
    } else {
        fault_at(faults, node, "`missing_as: %.40s`; expected nan, last or a number", node->text);
    }
}

/* `metric high-word-first` */
static void short_view_read(struct plan_faults *faults, const struct node *at,
                            const struct unit_choice *own, struct view *view)
{
    static const struct choice FORMS[] = {
        {"metric high-word-first", UNITS_METRIC * 4 + WORDS_HIGH_FIRST},
        {"metric low-word-first", UNITS_METRIC * 4 + WORDS_LOW_FIRST},
        {"us high-word-first", UNITS_US * 4 + WORDS_HIGH_FIRST},
        {"us low-word-first", UNITS_US * 4 + WORDS_LOW_FIRST},
        {"own high-word-first", UNITS_OWN * 4 + WORDS_HIGH_FIRST},
        {"own low-word-first", UNITS_OWN * 4 + WORDS_LOW_FIRST},
        {NULL, 0}};
    int form = UNITS_METRIC * 4 + WORDS_HIGH_FIRST;
    (void)value_choice(faults, at, at->key->text, FORMS, &form);
    view->units.set = (uint8_t)(form / 4);
    view->words = (uint8_t)(form % 4);
    if (view->units.set == UNITS_OWN)
        view->units = *own;
}

static void long_view_read(struct plan_faults *faults, const struct node *at,
                           const struct unit_choice *own, struct view *view)
{
    char owner[60];
    int set = UNITS_METRIC;
    (void)snprintf(owner, sizeof owner, "view %.20s", at->key->text);
    if (!keys_read(faults, at, SECTION_VIEW, 0, owner, view))
        return;
    const struct node *units = node_find(at, "units");
    if (units && value_choice(faults, units, "units", CHOICES_UNIT_SET, &set))
        view->units.set = (uint8_t)set;
    if (view->units.set == UNITS_OWN)
        view->units = *own;
    missing_read(faults, node_find(at, "missing_as"), view);
}

static void views_read(struct plan_faults *faults, const struct node *views,
                       struct destination_plan *destination)
{
    if (!views) {
        destination->n_views = 1;
        destination->views[0] =
            (struct view){.unit_id = 1, .units = {.set = UNITS_METRIC}, .words = WORDS_HIGH_FIRST};
        return;
    }
    if (views->kind != NODE_MAP || views->n == 0 || views->n > VIEWS_MAX) {
        fault_at(faults, views,
                 "`views` holds %s; expected 1 to %d of such as `{1: metric high-word-first}`",
                 views->kind != NODE_MAP ? node_kind_name(views)
                 : views->n              ? "too many"
                                         : "nothing",
                 VIEWS_MAX);
        return;
    }
    for (const struct node *at = views->first; at; at = at->next) {
        struct view *view = &destination->views[destination->n_views];
        uint64_t unit = 0;
        if (!value_whole(faults, at->key, "views", 1, 247, NULL, &unit))
            continue;
        for (int i = 0; i < destination->n_views; i++)
            if (destination->views[i].unit_id == unit)
                fault_at(faults, at->key, "unit id %u has a view above", (unsigned)unit);
        view->unit_id = (uint8_t)unit;
        if (at->kind == NODE_MAP)
            long_view_read(faults, at, &destination->units, view);
        else
            short_view_read(faults, at, &destination->units, view);
        destination->n_views++;
    }
}

/* ---- who may connect ---- */

static bool allow_from_text(const char *text, struct allow_rule *rule)
{
    char address[64];
    const char *slash = strchr(text, '/');
    const size_t n = slash ? (size_t)(slash - text) : strlen(text);
    uint64_t prefix;
    if (n >= sizeof address)
        return false;
    (void)snprintf(address, sizeof address, "%.*s", (int)n, text);
    if (inet_pton(AF_INET, address, rule->address) == 1)
        rule->family = 4;
    else if (inet_pton(AF_INET6, address, rule->address) == 1)
        rule->family = 6;
    else
        return false;
    const uint64_t widest = rule->family == 4 ? 32 : 128;
    prefix = widest;
    if (slash && (!whole_from_text(slash + 1, strlen(slash + 1), &prefix) || prefix > widest))
        return false;
    rule->prefix = (uint8_t)prefix;
    return true;
}

static bool allow_has_host_bits(const struct allow_rule *rule)
{
    for (unsigned bit = rule->prefix; bit < (rule->family == 4 ? 32u : 128u); bit++)
        if (rule->address[bit / 8] & (0x80u >> (bit % 8)))
            return true;
    return false;
}

static void allow_read(struct plan_faults *faults, const struct node *allow,
                       struct destination_plan *destination)
{
    if (!allow)
        return;
    if (allow->kind != NODE_LIST || allow->n > ALLOW_MAX) {
        fault_at(faults, allow,
                 "`allow` holds %s; expected at most %d addresses such as `[192.0.2.0/28]`",
                 allow->kind == NODE_LIST ? "too many" : node_kind_name(allow), ALLOW_MAX);
        return;
    }
    for (const struct node *at = allow->first; at; at = at->next) {
        struct allow_rule *rule = &destination->allow[destination->n_allow];
        if (!value_is_text(faults, at, "allow",
                           "an address such as 192.0.2.5 or a network such as 192.0.2.0/28"))
            continue;
        if (!allow_from_text(at->text, rule))
            fault_at(faults, at,
                     "`%.60s` is no address; expected such as 192.0.2.5 or a network such as "
                     "192.0.2.0/28",
                     at->text);
        else if (allow_has_host_bits(rule))
            fault_at(faults, at,
                     "`%.60s` is an address inside a network of %u bits; expected the network's "
                     "first address, or `/%u` for this one alone",
                     at->text, rule->prefix, rule->family == 4 ? 32u : 128u);
        else
            destination->n_allow++;
    }
}

/* ---- secrets ---- */

const char *secret_fault(const char *path, unsigned mode, unsigned owner, unsigned reader)
{
    /* systemd shows credentials to a service's own user by an access list, which stands in the
     * group bits. */
    const bool is_credential = strncmp(path, "/run/credentials/", strlen("/run/credentials/")) == 0;
    if (!S_ISREG(mode))
        return "is no plain file; expected a file that holds the secret alone";
    if (mode & (is_credential ? 0007u : 0077u))
        return "can be read by others; expected `chmod 0400` and the service's user as its owner";
    if (owner != reader && owner != 0 && reader != 0)
        return "belongs to somebody else; expected the service's user as its owner";
    return NULL;
}

/* A file's path, or (without a slash) the name of a credential of the service manager. */
static void secret_read(struct reading_room *room, const struct node *node, const char *key,
                        char into[static PATH_LENGTH_MAX])
{
    static const char FORM[] = "a path such as /etc/uphole/broker.pass, or the name of a "
                               "credential such as broker.pass";
    if (!node || !value_is_text(room->faults, node, key, FORM))
        return;
    if (strchr(node->text, '/') != NULL) {
        (void)value_path(room->faults, node, key, into, PATH_LENGTH_MAX);
        return;
    }
    /* systemd.exec(5), LoadCredential: a name as of a file, at most 255 bytes. */
    const size_t n = strspn(node->text, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"
                                        "0123456789._-");
    if (n != node->length || n == 0 || n >= PATH_LENGTH_MAX || node->text[0] == '.')
        fault_at(room->faults, node,
                 "`%s: %.60s` is neither a path nor the name of a credential; "
                 "expected %s",
                 key, node->text, FORM);
    else
        (void)snprintf(into, PATH_LENGTH_MAX, "%s", node->text);
}

static void secret_check(struct reading_room *room, const struct node *node)
{
    struct stat status;
    if (!node || node->kind != NODE_SCALAR || node->text[0] != '/' || !room->look_at_files)
        return;
    if (stat(node->text, &status) != 0) /* may be put there later; `check` says so */
        return;
    const char *fault = secret_fault(node->text, status.st_mode, status.st_uid, geteuid());
    if (fault)
        fault_at(room->faults, node, "%s %s", node->text, fault);
}

/* ---- how much, how fast ---- */

static void limits_read(struct reading_room *room, const struct node *node,
                        struct destination_plan *destination)
{
    static const char MONTH[] = " a month";
    const struct node *rate = node_find(node, "backlog_at_most"),
                      *most = node_find(node, "at_most");
    uint64_t whole = 0;
    if (rate && value_whole(room->faults, rate, "backlog_at_most", 1, 10000, "records/s", &whole))
        destination->backlog_at_most = (uint32_t)whole;
    if (!most || !value_is_text(room->faults, most, "at_most", "such as `300 MB a month`"))
        return;
    const size_t tail = sizeof MONTH - 1;
    char size[40];
    if (most->length <= tail || most->length - tail >= sizeof size ||
        strcmp(most->text + most->length - tail, MONTH) != 0) {
        fault_at(room->faults, most,
                 "`at_most: %.60s` doesn't say of what time; expected such as `300 MB a month`",
                 most->text);
        return;
    }
    (void)snprintf(size, sizeof size, "%.*s", (int)(most->length - tail), most->text);
    struct node of_size = *most;
    of_size.text = size;
    of_size.length = most->length - tail;
    if (value_size(room->faults, &of_size, "at_most", 1e6, 1e13, &whole))
        destination->at_most_a_month = whole;
}

/* ---- one destination ---- */

/* MQTT 5.0, 4.7: + and # are for filters, a $ at the beginning is the broker's own, and each /
 * parts two levels, of which an empty one is a level as well, that nobody subscribes to by mistake.
 */
static bool topic_is_plain(const char *text, size_t length)
{
    return strpbrk(text, "+#$") == NULL && text[0] != '/' &&
           (length == 0 || text[length - 1] != '/') && strstr(text, "//") == NULL;
}

static void mqtt_read(struct reading_room *room, const struct node *node,
                      struct destination_plan *destination)
{
    static const char FORM[] = "such as mqtts://broker.heron.example:8883";
    const struct node *url = node_find(node, "mqtt");
    if (!value_is_text(room->faults, url, "mqtt", FORM))
        return;
    const bool tls = strncmp(url->text, "mqtts://", 8) == 0,
               plain = strncmp(url->text, "mqtt://", 7) == 0;
    if (!tls && !plain) {
        fault_at(room->faults, url, "`%.80s` doesn't say how to speak to the broker; expected %s",
                 url->text, FORM);
        return;
    }
    destination->tls = tls;
    if (!host_and_port(room->faults, url, url->text + (tls ? 8 : 7), FORM, tls ? 8883 : 1883,
                       destination->host, &destination->port))
        return;
    if (plain && !host_is_this_box(destination->host))
        fault_at(room->faults, url,
                 "`%.80s` would send readings and passwords unprotected to another machine; "
                 "expected mqtts://",
                 url->text);
    const struct node *user = node_find(node, "user"), *password = node_find(node, "password_file"),
                      *certificate = node_find(node, "certificate_file"),
                      *key = node_find(node, "key_file"), *topic = node_find(node, "topic_root"),
                      *ca = node_find(node, "ca_file");
    if (user && !password)
        fault_at(room->faults, user->key,
                 "`user` without `password_file`; expected the file that holds the password");
    if (password && !user)
        fault_at(room->faults, password->key,
                 "`password_file` without `user`; expected the name that goes with it");
    if ((certificate != NULL) != (key != NULL))
        fault_at(room->faults, (certificate ? certificate : key)->key,
                 "`%s` without `%s`; expected both or none",
                 certificate ? "certificate_file" : "key_file",
                 certificate ? "key_file" : "certificate_file");
    if (plain && (ca || certificate))
        fault_at(room->faults, (ca ? ca : certificate)->key,
                 "`%s` needs TLS; expected mqtts:// in `mqtt`",
                 ca ? "ca_file" : "certificate_file");
    if (topic && topic->kind == NODE_SCALAR && !topic_is_plain(topic->text, topic->length))
        fault_at(room->faults, topic,
                 "`topic_root: %.60s`; expected names joined by /, none of them empty, without + # "
                 "$",
                 topic->text);
    secret_read(room, password, "password_file", destination->password_file);
    secret_read(room, key, "key_file", destination->key_file);
    limits_read(room, node, destination);
    secret_check(room, password);
    secret_check(room, key);
}

static void table_read(struct reading_room *room, const struct node *node,
                       struct destination_plan *destination)
{
    const struct node *listen = node_find(node, "modbus_tcp");
    if (value_is_text(room->faults, listen, "modbus_tcp", "such as 192.0.2.1:1502"))
        (void)host_and_port(room->faults, listen, listen->text, "such as 192.0.2.1:1502", 1502,
                            destination->host, &destination->port);
    if (destination->clients_per_address > destination->clients &&
        node_find(node, "clients_per_address"))
        fault_at(room->faults, node_find(node, "clients_per_address"),
                 "`clients_per_address: %u` is more than `clients` of %u",
                 destination->clients_per_address, destination->clients);
    else if (destination->clients_per_address > destination->clients)
        destination->clients_per_address = destination->clients;
    views_read(room->faults, node_find(node, "views"), destination);
    allow_read(room->faults, node_find(node, "allow"), destination);
}

static void destination_read(struct reading_room *room, const struct node *node,
                             struct destination_plan *destination)
{
    char owner[60];
    const struct node *mqtt = node_find(node, "mqtt"), *table = node_find(node, "modbus_tcp");
    (void)snprintf(owner, sizeof owner, "destination %.*s", NAME_LENGTH_MAX, node->key->text);
    (void)value_name(room->faults, node->key, "destinations", destination->name);
    destination->config_line = node->key->line;
    destination->medium = table ? DESTINATION_MODBUS_TCP : DESTINATION_MQTT;
    const bool is_one = (mqtt != NULL) != (table != NULL);
    if (node->kind == NODE_MAP && !is_one)
        fault_at(
            room->faults, mqtt ? mqtt->key : node->key,
            "%s has %s; expected either `mqtt: mqtts://host:port` or `modbus_tcp: address:port`",
            owner, mqtt ? "both `mqtt` and `modbus_tcp`" : "neither `mqtt` nor `modbus_tcp`");
    if (!keys_read(room->faults, node, SECTION_DESTINATION, is_one ? destination->medium : 0, owner,
                   destination) ||
        !is_one)
        return;
    units_read(room->faults, node_find(node, "units"), &destination->units);
    if (mqtt)
        mqtt_read(room, node, destination);
    else
        table_read(room, node, destination);
}

/* A broker knows this box by its one name, and an address has one listener. */
static void same_end_check(struct reading_room *room, const struct node *node,
                           const struct destination_plan *destination)
{
    for (const struct destination_plan *at = room->plan->destinations; at < destination; at++) {
        if (at->medium != destination->medium || at->port != destination->port || !at->host[0] ||
            strcmp(at->host, destination->host) != 0)
            continue;
        if (at->medium == DESTINATION_MQTT)
            fault_at(room->faults, node->key,
                     "destination %s is the same broker as %s in line %d; a broker knows this box "
                     "by one name and would drop one "
                     "connection for the other",
                     destination->name, at->name, at->config_line);
        else
            fault_at(room->faults, node->key,
                     "destination %s listens on the same address and port as %s in line %d; "
                     "expected another port, or `views` "
                     "of one destination",
                     destination->name, at->name, at->config_line);
    }
}

void destinations_read(struct reading_room *room, const struct node *destinations)
{
    struct plan *plan = room->plan;
    if (!destinations)
        return;
    if (destinations->kind != NODE_MAP || destinations->n > PLAN_DESTINATIONS_MAX) {
        fault_at(room->faults, destinations,
                 "`destinations` holds %s; expected at most %d sections by name",
                 destinations->kind != NODE_MAP ? node_kind_name(destinations) : "too many",
                 PLAN_DESTINATIONS_MAX);
        return;
    }
    plan->destinations = calloc((size_t)destinations->n + 1, sizeof *plan->destinations);
    if (!plan->destinations)
        return;
    for (const struct node *at = destinations->first; at; at = at->next) {
        struct destination_plan *destination = &plan->destinations[plan->n_destinations++];
        destination_read(room, at, destination);
        same_end_check(room, at, destination);
    }
}
