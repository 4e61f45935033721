/* SPDX-License-Identifier: Apache-2.0
 *
 * server_say.c - what the log says of a table's clients: at most once a minute, in numbers, and
 * only where something was refused; and what the well side hears of it for the journal.
 */
#include "server_inside.h"

#include "uphole/say.h"

#include <arpa/inet.h>
#include <stddef.h>
#include <stdio.h>

#define SAY_EVERY_MS 60000

static const struct {
    size_t at;
    const char *text;
} SENTENCES[] = {
    {offsetof(struct table_server_counts, refused_not_allowed),
     "connections refused, because `allow` doesn't name their address"},
    {offsetof(struct table_server_counts, refused_address),
     "connections refused beyond clients_per_address"},
    {offsetof(struct table_server_counts, refused_full), "connections refused beyond clients"},
    {offsetof(struct table_server_counts, gave_way),
     "connections that never sent a request closed to make room"},
    {offsetof(struct table_server_counts, bad_frame),
     "connections closed that sent something else than Modbus TCP"},
    {offsetof(struct table_server_counts, stalled),
     "connections closed that stopped in the middle of a request"},
    {offsetof(struct table_server_counts, not_reading),
     "connections closed that didn't take their answers"},
    {offsetof(struct table_server_counts, writes_refused),
     "requests to write refused, as this table is read only"},
    {offsetof(struct table_server_counts, no_descriptor),
     "rests of 1 s from accepting, because no file descriptor was free"},
};

static uint64_t count_at(const struct table_server_counts *counts, size_t at)
{
    return *(const uint64_t *)((const char *)counts + at);
}

void server_say_counts(struct table_server *server, int64_t now_ms)
{
    if (now_ms < server->next_say_ms)
        return;
    char text[768];
    size_t n = 0;
    for (unsigned i = 0; i < sizeof SENTENCES / sizeof *SENTENCES; i++) {
        uint64_t more =
            count_at(&server->counts, SENTENCES[i].at) - count_at(&server->said, SENTENCES[i].at);
        if (more == 0 || n >= sizeof text)
            continue;
        int wrote = snprintf(text + n, sizeof text - n, "%s%s: %llu", n > 0 ? "; " : "",
                             SENTENCES[i].text, (unsigned long long)more);
        n += wrote > 0 ? (size_t)wrote : 0;
    }
    if (n == 0)
        return;
    say(SAY_WARNING, "publish", "Table %s: %s.", server->options.destination->name, text);
    server->said = server->counts;
    server->next_say_ms = now_ms + SAY_EVERY_MS;
}

static void put_peer(const struct peer *peer, char into[static WALL_PEER_MAX])
{
    into[0] = '\0';
    if (peer->family != 0 && inet_ntop(peer->family == 4 ? AF_INET : AF_INET6, peer->address, into,
                                       WALL_PEER_MAX) == NULL)
        into[0] = '\0';
}

void table_server_turned_away(const struct table_server *server, struct wall_destination *into)
{
    into->writes = server->counts.writes_refused;
    into->strangers = server->counts.refused_not_allowed;
    put_peer(&server->writer, into->writer);
    put_peer(&server->stranger, into->stranger);
}
