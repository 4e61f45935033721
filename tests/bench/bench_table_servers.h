/* SPDX-License-Identifier: Apache-2.0
 *
 * bench_table_servers.h - the three servers that bench_table compares, each in a process of its
 * own.
 */
#ifndef UPHOLE_BENCH_TABLE_SERVERS_H
#define UPHOLE_BENCH_TABLE_SERVERS_H

#include <stdint.h>
#include <sys/types.h>

struct contender {
    const char *name;
    void (*serve)(int announce_fd); /* writes its port as uint16_t, then serves until killed */
    pid_t pid;
    uint16_t port;
};

#define BENCH_REGISTERS 1536
#define BENCH_CLIENTS_MAX 80

void serve_uphole(int announce_fd);
void serve_minimal(
    int announce_fd); /* the least that answers: epoll, one recv, one memcpy, one send */
void serve_libmodbus(int announce_fd); /* select, modbus_receive, modbus_reply */

#endif
