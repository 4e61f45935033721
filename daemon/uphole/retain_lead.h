/* SPDX-License-Identifier: Apache-2.0
 *
 * retain_lead.h - how much of a well's past one of its records is measured from: so much stays
 * behind the edge of what was removed, and is not handed out.
 */
#ifndef UPHOLE_RETAIN_LEAD_H
#define UPHOLE_RETAIN_LEAD_H

#include "uphole/plan.h"

/** ms, at the pace of its slowest source; back-off stretches it. */
int64_t retain_lead_ms(const struct plan *plan, const struct well_plan *well);

#endif
