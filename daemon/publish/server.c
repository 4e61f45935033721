/* SPDX-License-Identifier: Apache-2.0
 *
 * server.c - the table's loop: wait, take fresh readings into the image, answer who asked, close
 * who is late.
 */
#include "server_inside.h"

#include <errno.h>
#include <netinet/in.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/eventfd.h>
#include <unistd.h>

static bool allocate(struct table_server *server)
{
    const struct table_server_options *options = &server->options;
    uint16_t n_wells = options->plan->n_wells > 0 ? options->plan->n_wells : 1;
    server->n_places = options->destination->clients > 0 ? options->destination->clients : 1;
    server->image = table_image_create(options->plan, options->destination);
    server->client = calloc(server->n_places, sizeof *server->client);
    server->snapshot_count = calloc(n_wells, sizeof *server->snapshot_count);
    if (server->image == NULL || server->client == NULL || server->snapshot_count == NULL)
        return false;
    for (unsigned i = 0; i < server->n_places; i++)
        server->client[i].fd = -1;
    return true;
}

static enum up_rc open_descriptors(struct table_server *server, struct up_error *error)
{
    server->epoll_fd = epoll_create1(EPOLL_CLOEXEC);
    server->wake_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    struct epoll_event event = {.events = EPOLLIN, .data.ptr = &server->wake_fd};
    if (server->epoll_fd < 0 || server->wake_fd < 0 ||
        epoll_ctl(server->epoll_fd, EPOLL_CTL_ADD, server->wake_fd, &event) != 0)
        return UP_FAIL_ERRNO(error, UP_E_SYSTEM, "table %s: no free file descriptors: %s",
                             server->options.destination->name, strerror(errno));
    return live_listen(server->options.live, server->wake_fd, error);
}

struct table_server *table_server_open(const struct table_server_options *options,
                                       struct up_error *error)
{
    struct table_server *server = calloc(1, sizeof *server);
    if (server == NULL) {
        UP_FAIL(error, UP_E_MEMORY, "no memory for table %s", options->destination->name);
        return NULL;
    }
    server->options = *options;
    server->epoll_fd = server->listen_fd = server->wake_fd = -1;
    if (!allocate(server)) {
        UP_FAIL(error, UP_E_MEMORY, "no memory for table %s", options->destination->name);
        table_server_close(server);
        return NULL;
    }
    if (open_descriptors(server, error) != UP_OK) {
        table_server_close(server);
        return NULL;
    }
    table_server_wake(server); /* what came before it joined */
    return server;
}

enum up_rc table_server_watch(struct table_server *server, struct live *live,
                              struct up_error *error)
{
    return live_listen(live, server->wake_fd, error);
}

static void show_all(struct table_server *server, int64_t now_ms);

enum up_rc table_server_take_plan(struct table_server *server,
                                  const struct table_server_options *next, struct up_error *error)
{
    struct table_image *image = table_image_create(next->plan, next->destination);
    uint64_t *counts =
        calloc(next->plan->n_wells > 0 ? next->plan->n_wells : 1, sizeof *server->snapshot_count);
    if (image == NULL || counts == NULL) {
        table_image_destroy(image);
        free(counts);
        return UP_FAIL(error, UP_E_MEMORY, "no memory for table %s under its new plan",
                       next->destination->name);
    }
    image_go_on(image, server->image);
    live_unlisten(server->options.live, server->wake_fd);
    table_image_destroy(server->image);
    free(server->snapshot_count);
    server->image = image;
    server->snapshot_count = counts;
    server->state_count = 0;
    server->options = *next;
    show_all(server, clock_boot_ms(next->clock));
    return UP_OK;
}

static void close_descriptor(int *fd)
{
    if (*fd >= 0)
        close(*fd);
    *fd = -1;
}

void table_server_close(struct table_server *server)
{
    if (server == NULL)
        return;
    for (unsigned i = 0; server->client != NULL && i < server->n_places; i++)
        client_close(server, &server->client[i]);
    if (server->wake_fd >= 0)
        live_unlisten(server->options.live, server->wake_fd);
    close_descriptor(&server->listen_fd);
    close_descriptor(&server->wake_fd);
    close_descriptor(&server->epoll_fd);
    table_image_destroy(server->image);
    free(server->client);
    free(server->snapshot_count);
    free(server);
}

enum up_rc table_server_listen(struct table_server *server, struct up_error *error)
{
    return server->listen_fd >= 0 ? UP_OK : accept_listen(server, error);
}

uint16_t table_server_port(const struct table_server *server)
{
    struct sockaddr_storage address;
    socklen_t length = sizeof address;
    if (server->listen_fd < 0 ||
        getsockname(server->listen_fd, (struct sockaddr *)&address, &length) != 0)
        return 0;
    struct sockaddr_in6 v6;
    struct sockaddr_in v4;
    memcpy(&v6, &address, sizeof v6);
    memcpy(&v4, &address, sizeof v4);
    return ntohs(address.ss_family == AF_INET6 ? v6.sin6_port : v4.sin_port);
}

void table_server_wake(struct table_server *server)
{
    const uint64_t one = 1;
    ssize_t written = write(server->wake_fd, &one, sizeof one); /* full: readable already */
    (void)written;
}

void table_server_stop_accepting(struct table_server *server)
{
    accept_set(server, false);
    server->accepts = false;
    close_descriptor(&server->listen_fd);
}

const struct table_server_counts *table_server_counts_of(const struct table_server *server)
{
    return &server->counts;
}

/* ---- fresh readings ---- */

static struct table_header header_of(const struct table_server *server,
                                     const struct well_plan *well, bool journaled)
{
    struct table_header header = {0};
    if (server->state_count == 0)
        return header;
    const struct wall_state *state = &server->state;
    header.clock = state->clock;
    header.journaled = journaled && state->journal_ok;
    header.heartbeat = state->heartbeat;
    header.days_left = state->days_left;
    for (unsigned i = 0; i < state->n_wells && i < PLAN_WELLS_MAX; i++) {
        if (state->well[i].well != well->number)
            continue;
        header.delivery = state->well[i].delivery;
        header.waiting = state->well[i].waiting;
        header.gaps_open = state->well[i].gaps_open;
    }
    return header;
}

static void show_well(struct table_server *server, uint16_t w, bool is_new, int64_t now_ms)
{
    uint64_t count = live_snapshot_copy(server->options.live, w, &server->snapshot);
    struct table_header header =
        header_of(server, &server->options.plan->wells[w], count > 0 && server->snapshot.journaled);
    if (is_new && count > 0)
        table_image_put(server->image, &server->snapshot, &header, now_ms);
    else
        image_put_header(server->image, w, &header, now_ms);
    server->snapshot_count[w] = count;
}

static void refresh(struct table_server *server, int64_t now_ms)
{
    struct live *live = server->options.live;
    uint64_t state_count = live_state_copy(live, &server->state);
    bool new_state = state_count != server->state_count;
    server->state_count = state_count;
    for (uint16_t w = 0; w < server->options.plan->n_wells; w++) {
        bool new_snapshot = live_snapshot_count(live, w) != server->snapshot_count[w];
        if (new_snapshot || new_state)
            show_well(server, w, new_snapshot, now_ms);
    }
}

/** Every block, so that nothing of the image before is left. */
static void show_all(struct table_server *server, int64_t now_ms)
{
    server->state_count = live_state_copy(server->options.live, &server->state);
    for (uint16_t w = 0; w < server->options.plan->n_wells; w++)
        show_well(server, w, true, now_ms);
}

/* ---- the loop ---- */

static void handle(struct table_server *server, const struct epoll_event *event, int64_t now_ms)
{
    if (event->data.ptr == &server->listen_fd) {
        if (server->accepts)
            accept_clients(server, now_ms);
    } else if (event->data.ptr == &server->wake_fd) {
        uint64_t times;
        ssize_t got = read(server->wake_fd, &times, sizeof times);
        (void)got; /* however often it was written, one look is enough */
        refresh(server, now_ms);
    } else {
        client_is_ready(server, event->data.ptr, event->events, now_ms);
    }
}

static void sweep(struct table_server *server, int64_t now_ms)
{
    server->next_sweep_ms = now_ms + SWEEP_MS;
    for (unsigned i = 0; i < server->n_places; i++) {
        if (server->client[i].fd >= 0)
            client_sweep(server, &server->client[i], now_ms);
    }
    if (server->accepts && !server->listens && now_ms >= server->rest_until_ms)
        accept_set(server, true);
    server_say_counts(server, now_ms);
}

void table_server_step(struct table_server *server, int timeout_ms)
{
    int64_t now_ms = clock_boot_ms(server->options.clock);
    bool idles = server->n_clients == 0 && (server->listens || !server->accepts);
    int64_t to_sweep_ms = server->next_sweep_ms > now_ms ? server->next_sweep_ms - now_ms : 0;
    if (!idles && to_sweep_ms < timeout_ms)
        timeout_ms = (int)to_sweep_ms;
    struct epoll_event events[EVENTS_MAX];
    int n = epoll_wait(server->epoll_fd, events, EVENTS_MAX, timeout_ms);
    now_ms = clock_boot_ms(server->options.clock);
    for (int i = 0; i < n; i++)
        handle(server, &events[i], now_ms);
    if (now_ms >= server->next_sweep_ms)
        sweep(server, now_ms);
}
