/* SPDX-License-Identifier: Apache-2.0
 *
 * fuzz_plan.c - any bytes as a configuration: either faults with their place, or a plan whose
 * canonical text gives the same plan again.
 */
#include "uphole/plan.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct plan_faults faults;
    struct plan *plan = NULL, *again = NULL;
    char text[PATH_LENGTH_MAX + UP_WHY_MAX];
    if (plan_from_text("x", (const char *)data, size, &plan, &faults) != UP_OK) {
        if (plan || faults.n < 1 || faults.n > PLAN_ERRORS_MAX)
            abort();
        for (int i = 0; i < faults.n; i++)
            if (plan_fault_to_text(&faults.fault[i], text, sizeof text) == 0)
                abort();
        return 0;
    }
    if (faults.n != 0 ||
        plan_from_text("y", plan->text, plan->text_length, &again, &faults) != UP_OK ||
        strcmp(plan->digest, again->digest) != 0 || plan->text_length != again->text_length)
        abort();
    plan_free(plan);
    plan_free(again);
    return 0;
}
