/* SPDX-License-Identifier: Apache-2.0
 *
 * test_identify.c - what a unit says of itself, out of answers that may be cut short or lie.
 *
 * Source: Modbus Application Protocol V1.1b3, 6.21.
 */
#include "check.h"

#include "../../daemon/commission/identify.h"

/* V1.1b3, 6.21: a list of objects is believed as far as its bytes go, and no further. Planted defect:
 * an object is read beyond the answer (commission-object-beyond). */
static void an_identification_is_read_as_far_as_it_is_whole(void **state)
{
    (void)state;
    static const struct {
        const char *what;
        uint8_t pdu[24];
        size_t n;
        bool more;
        uint8_t next;
        int objects;
    } ROWS[] = {
        {"two objects",
         {0x2B, 0x0E, 1, 1, 0, 0, 2, 0, 3, 'a', 'b', 'c', 1, 1, 'x'},
         15,
         false,
         0,
         2},
        {"more from 2 on", {0x2B, 0x0E, 1, 1, 0xFF, 2, 1, 0, 1, 'a'}, 10, true, 2, 1},
        {"none", {0x2B, 0x0E, 1, 1, 0, 0, 0}, 7, false, 0, 0},
        {"fewer than it says", {0x2B, 0x0E, 1, 1, 0, 0, 9, 0, 1, 'a'}, 10, false, 0, 1},
        {"an object longer than the answer",
         {0x2B, 0x0E, 1, 1, 0xFF, 5, 1, 0, 200, 'a'},
         10,
         false,
         0,
         0},
        {"the second one cut",
         {0x2B, 0x0E, 1, 1, 0xFF, 5, 2, 0, 1, 'a', 1, 9, 'b'},
         13,
         false,
         0,
         1},
        {"cut in its head", {0x2B, 0x0E, 1, 1, 0xFF, 5}, 6, false, 0, 0},
    };
    for (size_t i = 0; i < sizeof ROWS / sizeof ROWS[0]; i++) {
        struct find_unit unit = {0};
        uint8_t next = 0;
        check_count(ROWS[i].what, identify_take(ROWS[i].pdu, ROWS[i].n, &unit, &next),
                    ROWS[i].more);
        check_count(ROWS[i].what, (long long)unit.n_objects, ROWS[i].objects);
        if (ROWS[i].more)
            check_count(ROWS[i].what, next, ROWS[i].next);
    }
    struct find_unit unit = {0};
    uint8_t next, many[7 + 2 * 120] = {0x2B, 0x0E, 3, 0x83, 0xFF, 255, 120};
    for (int i = 0; i < 3; i++)
        (void)identify_take(many, sizeof many, &unit, &next);
    check_count("no more than there is room for", (long long)unit.n_objects, FIND_OBJECTS_MAX);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_identification_is_read_as_far_as_it_is_whole),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
