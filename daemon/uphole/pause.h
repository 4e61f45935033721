/* SPDX-License-Identifier: Apache-2.0
 *
 * pause.h - the orders `pause` and `resume`: a destination leaves its broker for a set time, as if
 * the network were cut on this box.
 *
 * The connection is closed without a goodbye, so the broker publishes the last will and whoever
 * reads there sees what a cut looks like. The SCADA side counts the time and comes back by itself;
 * records are stored meanwhile and sent then. The ledger has a delivery row with the cause
 * `paused`.
 */
#ifndef UPHOLE_PAUSE_H
#define UPHOLE_PAUSE_H

#include "order.h"

#include "uphole/wall.h"

#define PAUSE_LEAST_MS 5000

#endif
