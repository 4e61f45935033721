/* SPDX-License-Identifier: Apache-2.0
 *
 * lines.c - serial lines and TCP connections of the configuration.
 */
#include "rooms.h"

#include <arpa/inet.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

bool line_speaks_rtu(const struct line_plan *line)
{
    return line->medium == LINE_MEDIUM_SERIAL || line->framing == LINE_FRAMING_RTU;
}

unsigned line_bits_per_character(const struct line_plan *line)
{
    return 1u + line->data_bits + (line->parity == 'N' ? 0u : 1u) + line->stop_bits;
}

int64_t line_quiet_us(const struct line_plan *line)
{
    if (!line_speaks_rtu(line))
        return 0;
    if (line->baud > 19200)
        return 1750;
    const int64_t bits_us = (int64_t)line_bits_per_character(line) * 1000000 * 7;
    return (bits_us + 2 * (int64_t)line->baud - 1) / (2 * (int64_t)line->baud); /* rounded up */
}

/* ---- host:port ---- */

static bool host_is_valid(const char *host)
{
    struct in6_addr address;
    const size_t n = strlen(host);
    if (inet_pton(AF_INET6, host, &address) == 1)
        return true;
    if (n == 0 || n > 253 || host[0] == '.' || host[0] == '-')
        return false;
    for (size_t i = 0; i < n; i++)
        if (!strchr("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-.", host[i]))
            return false;
    return true;
}

bool host_and_port(struct plan_faults *faults, const struct node *node, const char *text,
                   const char *form, uint16_t default_port, char host[static PATH_LENGTH_MAX],
                   uint16_t *port)
{
    const char *end = text[0] == '[' ? strchr(text, ']') : NULL;
    const char *colon = end ? end + 1 : strrchr(text, ':');
    uint64_t number = default_port;
    bool good = strlen(text) < PATH_LENGTH_MAX && (text[0] != '[' || end);
    if (good) {
        const char *from = end ? text + 1 : text;
        const size_t n = end ? (size_t)(end - from) : colon ? (size_t)(colon - from) : strlen(from);
        (void)snprintf(host, PATH_LENGTH_MAX, "%.*s", (int)n, from);
        good = host_is_valid(host) && (end || !strchr(host, ':'));
        if (good && colon && *colon)
            good = *colon == ':' && whole_from_text(colon + 1, strlen(colon + 1), &number) &&
                   number >= 1 && number <= 65535;
    }
    if (good)
        *port = (uint16_t)number;
    else
        fault_at(faults, node,
                 "`%.80s` is no host and port; expected %s, with a port of 1 to 65535", node->text,
                 form);
    return good;
}

bool host_is_this_box(const char *host)
{
    struct in_addr four;
    struct in6_addr six;
    if (strcmp(host, "localhost") == 0)
        return true;
    if (inet_pton(AF_INET, host, &four) == 1)
        return (ntohl(four.s_addr) >> 24) == 127;
    return inet_pton(AF_INET6, host, &six) == 1 && IN6_IS_ADDR_LOOPBACK(&six);
}

/* ---- one line ---- */

static void frame_read(struct plan_faults *faults, const struct node *frame, struct line_plan *line)
{
    line->data_bits = 8;
    line->parity = 'N';
    line->stop_bits = 1;
    if (!frame ||
        !value_is_text(faults, frame, "frame", "data bits, parity and stop bits such as `8N1`"))
        return;
    const char *text = frame->text;
    if (frame->length == 3 && text[0] == '8' && strchr("NEO", text[1]) &&
        (text[2] == '1' || text[2] == '2')) {
        line->parity = text[1];
        line->stop_bits = (uint8_t)(text[2] - '0');
        return;
    }
    if (frame->length == 3 && text[0] == '7')
        fault_at(faults, frame,
                 "`frame: %s`: this protocol (RTU) needs 8 data bits; expected 8N1, 8E1, 8O1, 8N2, "
                 "8E2 or 8O2",
                 text);
    else
        fault_at(faults, frame,
                 "`frame: %.40s`; expected data bits, parity and stop bits: 8N1, 8E1, 8O1, 8N2, "
                 "8E2 or 8O2",
                 text);
}

/** Which keys a line may have: those of its medium; of all where the medium isn't known. */
static uint8_t keys_of_line(const struct node *node, const struct node *serial,
                            const struct node *tcp)
{
    const struct node *framing = node_find(node, "framing");
    if (!serial && !tcp)
        return 0;
    if (serial)
        return LINE_MEDIUM_SERIAL;
    return framing && node_is(framing, "rtu") ? LINE_KEYS_RTU_OVER_TCP : LINE_MEDIUM_TCP;
}

static void line_read(struct reading_room *room, const struct node *node, struct line_plan *line)
{
    char owner[60];
    const struct node *serial = node_find(node, "serial"), *tcp = node_find(node, "tcp");
    (void)snprintf(owner, sizeof owner, "line %.*s", NAME_LENGTH_MAX, node->key->text);
    (void)value_name(room->faults, node->key, "lines", line->name);
    line->config_line = node->key->line;
    line->medium = tcp && !serial ? LINE_MEDIUM_TCP : LINE_MEDIUM_SERIAL;
    if (node->kind == NODE_MAP && (serial != NULL) == (tcp != NULL))
        fault_at(room->faults, tcp ? tcp->key : node->key,
                 "%s has %s; expected either `serial: /dev/...` or `tcp: host:port`", owner,
                 tcp ? "both `serial` and `tcp`" : "neither `serial` nor `tcp`");
    if (!keys_read(room->faults, node, SECTION_LINE, keys_of_line(node, serial, tcp), owner, line))
        return;
    if (line->medium == LINE_MEDIUM_TCP) {
        if (value_is_text(room->faults, tcp, "tcp", "host:port"))
            (void)host_and_port(room->faults, tcp, tcp->text, "such as 192.0.2.7:502", 502,
                                line->host, &line->port);
        line->data_bits = 8; /* the far line's, as far as planning needs it */
        line->parity = 'N';
        line->stop_bits = 1;
        return;
    }
    frame_read(room->faults, node_find(node, "frame"), line);
}

static bool lines_are_same_port(const struct line_plan *a, const struct line_plan *b)
{
    if (a->medium != b->medium)
        return false;
    if (a->medium == LINE_MEDIUM_SERIAL)
        return a->device[0] && strcmp(a->device, b->device) == 0;
    return a->host[0] && a->port == b->port && strcmp(a->host, b->host) == 0;
}

void lines_read(struct reading_room *room, const struct node *lines)
{
    struct plan *plan = room->plan;
    if (!lines)
        return;
    if (lines->kind != NODE_MAP || lines->n == 0 || lines->n > PLAN_LINES_MAX) {
        fault_at(room->faults, lines, "`lines` holds %s; expected 1 to %d sections by name",
                 lines->kind != NODE_MAP ? node_kind_name(lines)
                 : lines->n              ? "too many"
                                         : "nothing",
                 PLAN_LINES_MAX);
        return;
    }
    plan->lines = calloc((size_t)lines->n, sizeof *plan->lines);
    if (!plan->lines)
        return;
    for (const struct node *at = lines->first; at; at = at->next) {
        struct line_plan *line = &plan->lines[plan->n_lines];
        line_read(room, at, line);
        for (int i = 0; i < plan->n_lines; i++)
            if (lines_are_same_port(&plan->lines[i], line))
                fault_at(room->faults, at->key,
                         "line %s is the same port as line %s of line %d of this file; several "
                         "sources may share one line",
                         line->name, plan->lines[i].name, plan->lines[i].config_line);
        plan->n_lines++;
    }
}

/* One refresh, the longest of the line's maps, where the file says nothing. */
void lines_listen_by_default(struct reading_room *room, const struct node *lines)
{
    const struct plan *plan = room->plan;
    for (int i = 0; i < plan->n_lines; i++) {
        struct line_plan *line = &plan->lines[i];
        const struct node *stated = node_find(node_find(lines, line->name), "listen_first");
        uint64_t ms = 0;
        if (!line_speaks_rtu(line))
            continue;
        if (stated) {
            (void)value_duration(room->faults, stated, "listen_first", 0, 3600000, &ms);
        } else {
            for (int w = 0; w < plan->n_wells; w++)
                for (int s = SOURCE_GAUGE; s < SOURCE_KINDS; s++)
                    for (int e = 0; e < plan->wells[w].n_entries[s]; e++)
                        if (plan->wells[w].entries[s][e].line == i &&
                            plan->wells[w].entries[s][e].refresh_ms > ms)
                            ms = plan->wells[w].entries[s][e].refresh_ms;
        }
        line->listen_first_ms = (uint32_t)(ms > 3600000 ? 3600000 : ms);
    }
}
