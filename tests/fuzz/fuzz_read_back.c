/* SPDX-License-Identifier: Apache-2.0
 *
 * fuzz_read_back.c - any bytes as what a broker sends to a session that only reads: what is sound
 * is taken apart within its own bytes.
 */
#include "../../daemon/publish/mqtt_packet.h"
#include "../../daemon/publish/read_back_packet.h"

#include <stdlib.h>
#include <string.h>

#define MOST 65536

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(bool holds)
{
    if (!holds)
        abort();
}

static void take_apart(const uint8_t *packet, size_t n, uint8_t version)
{
    struct packet_publish publish;
    const uint8_t *codes = NULL;
    switch (packet[0] >> 4) {
    case PACKET_PUBLISH:
        packet_take_publish(packet, n, version, &publish);
        must(publish.topic > packet && publish.topic + publish.topic_n <= publish.payload);
        must(publish.payload + publish.payload_n == packet + n);
        break;
    case PACKET_SUBACK:
        must(packet_take_suback(packet, n, version, &codes) > 0 && codes > packet &&
             codes < packet + n);
        break;
    case PACKET_CONNACK:
    case PACKET_DISCONNECT:
        (void)packet_reason(packet, n);
        break;
    default:
        break;
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    const size_t n = packet_whole_length(data, size, MOST);
    if (n == 0 || n > MOST || n > size)
        return 0;
    uint8_t *packet = malloc(n); /* of its own length, so that a read beyond is seen */
    if (packet == NULL)
        return 0;
    memcpy(packet, data, n);
    for (uint8_t version = 3; version <= 5; version += 2)
        if (mqtt_packet_is_sound(packet, n, version))
            take_apart(packet, n, version);
    free(packet);
    return 0;
}
