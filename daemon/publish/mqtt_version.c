/* SPDX-License-Identifier: Apache-2.0
 *
 * mqtt_version.c - which libmosquitto is loaded, for `status`; the well side asks without a broker.
 */
#include "uphole/publish.h"

#include <mosquitto.h>
#include <stdio.h>

void publish_mosquitto_version(char *into, size_t room)
{
    int major = 0, minor = 0, revision = 0;
    (void)mosquitto_lib_version(&major, &minor, &revision);
    snprintf(into, room, "%d.%d.%d", major, minor, revision);
}
