/* SPDX-License-Identifier: Apache-2.0
 *
 * fuzz_mqtt_packet.c - any bytes as what a broker sends, before the client library sees them: they
 * are followed alike in one piece and byte by byte, and a packet is looked into within its own
 * bytes.
 */
#include "../../daemon/publish/mqtt_packet.h"
#include "../../daemon/publish/mqtt_pipe.h"

#include <stdlib.h>
#include <string.h>

#define MOST 65536

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(bool holds)
{
    if (!holds)
        abort();
}

static void look_into(const uint8_t *data, size_t n)
{
    uint8_t *packet = malloc(n); /* of its own length, so that a read beyond is seen */
    if (packet == NULL)
        return;
    memcpy(packet, data, n);
    const bool is_old = mqtt_packet_is_sound(packet, n, 3);
    const bool is_new = mqtt_packet_is_sound(packet, n, 5);
    const unsigned type = packet[0] >> 4;
    /* CONNACK, PUBLISH, PUBACK, SUBACK, PINGRESP, DISCONNECT: no broker says anything else to a
     * client like ours, and no DISCONNECT in MQTT 3.1.1 (its 3.14). */
    must(!is_new || type == 2 || type == 3 || type == 4 || type == 9 || type == 13 || type == 14);
    must(!is_old || type != 14);
    free(packet);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct mqtt_follow whole = {.most = MOST}, piecewise = {.most = MOST};
    bool passes = true;
    for (size_t i = 0; i < size && passes; i++)
        passes = mqtt_follow_bytes(&piecewise, data + i, 1);
    must(mqtt_follow_bytes(&whole, data, size) == passes);
    if (!passes)
        return 0;
    must(whole.part == piecewise.part && whole.remaining == piecewise.remaining);
    for (size_t at = 0; at < size;) {
        const size_t length = mqtt_packet_length(data + at, size - at);
        if (length == 0 || length > size - at)
            return 0;
        look_into(data + at, length);
        at += length;
    }
    return 0;
}
