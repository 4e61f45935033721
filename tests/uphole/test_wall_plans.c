/* SPDX-License-Identifier: Apache-2.0
 *
 * test_wall_plans.c - what comes back over the wall under an earlier plan: to whom it belongs now.
 */
#include "check.h"

#include "../../daemon/uphole/wall_plans.h"

static struct plan plan_of(struct destination_plan *to, const char *const *names, uint16_t n)
{
    memset(to, 0, n * sizeof *to);
    for (uint16_t i = 0; i < n; i++)
        snprintf(to[i].name, sizeof to[i].name, "%s", names[i]);
    return (struct plan){.destinations = to, .n_destinations = n};
}

static bool comes(const struct wall_plans *plans, uint32_t kind, uint32_t serial,
                  uint16_t destination, uint16_t expected)
{
    static struct wall_message message;
    memset(&message, 0, sizeof message);
    message.kind = kind;
    message.plan_serial = serial;
    uint16_t *at = kind == WALL_ACCEPTED  ? &message.accepted.destination
                   : kind == WALL_REFUSED ? &message.refused.destination
                   : kind == WALL_WANT    ? &message.want.destination
                                          : &message.destination.destination;
    *at = destination;
    if (!wall_plans_bring_up(plans, &message))
        return false;
    check_count("destination", *at, expected);
    check_count("serial", message.plan_serial, plans->serial);
    return true;
}

/* Planted defect: the index is taken as it came (core-index-as-it-came). */
static void an_acceptance_on_its_way_goes_to_the_same_name_under_the_new_plan(void **state)
{
    static const char *const first[] = {"north", "table", "south"};
    static const char *const second[] = {"south", "west", "north"};
    static const char *const third[] = {"west", "south"};
    struct destination_plan a[3], b[3], c[2];
    struct plan one = plan_of(a, first, 3), two = plan_of(b, second, 3),
                three = plan_of(c, third, 2);
    struct wall_plans plans = {0};
    (void)state;
    assert_true(comes(&plans, WALL_ACCEPTED, 0, 2, 2));
    assert_false(comes(&plans, WALL_ACCEPTED, 1, 0, 0)); /* a serial that was never given */
    wall_plans_take(&plans, 1, &one, &two);
    assert_true(comes(&plans, WALL_ACCEPTED, 0, 0, 2));    /* north */
    assert_false(comes(&plans, WALL_ACCEPTED, 0, 1, 0));   /* table is gone */
    assert_true(comes(&plans, WALL_REFUSED, 0, 2, 0));     /* south */
    assert_true(comes(&plans, WALL_DESTINATION, 0, 2, 0)); /* south */
    assert_true(comes(&plans, WALL_ACCEPTED, 1, 1, 1));
    wall_plans_take(&plans, 7, &two, &three);
    assert_false(comes(&plans, WALL_ACCEPTED, 0, 0, 0)); /* north is gone */
    assert_true(comes(&plans, WALL_ACCEPTED, 0, 2, 1));  /* south, over both */
    assert_true(comes(&plans, WALL_ACCEPTED, 1, 1, 0));  /* west */
    assert_false(comes(&plans, WALL_ACCEPTED, 0, 200, 0));
}

/* Planted defect: wants are brought up as well (wall-wants-brought-up); rows asked for under the
 * old plan would come against a want that nobody waits for. */
static void a_want_of_an_earlier_plan_is_dropped(void **state)
{
    static const char *const names[] = {"north"};
    struct destination_plan to[1];
    struct plan plan = plan_of(to, names, 1);
    struct wall_plans plans = {0};
    (void)state;
    wall_plans_take(&plans, 1, &plan, &plan);
    assert_false(comes(&plans, WALL_WANT, 0, 0, 0));
    assert_true(comes(&plans, WALL_WANT, 1, 0, 0));
}

static void many_plans_later_it_is_forgotten(void **state)
{
    static const char *const names[] = {"north"};
    struct destination_plan to[1];
    struct plan plan = plan_of(to, names, 1);
    struct wall_plans plans = {0};
    (void)state;
    for (uint32_t serial = 1; serial <= 100; serial++)
        wall_plans_take(&plans, serial, &plan, &plan);
    assert_true(comes(&plans, WALL_ACCEPTED, 100, 0, 0));
    assert_true(comes(&plans, WALL_ACCEPTED, 100 - WALL_PLANS_KEPT, 0, 0));
    assert_false(comes(&plans, WALL_ACCEPTED, 99 - WALL_PLANS_KEPT, 0, 0));
    struct wall_message alive = {.kind = WALL_ALIVE, .plan_serial = 3};
    assert_true(wall_plans_bring_up(&plans, &alive));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_acceptance_on_its_way_goes_to_the_same_name_under_the_new_plan),
        cmocka_unit_test(a_want_of_an_earlier_plan_is_dropped),
        cmocka_unit_test(many_plans_later_it_is_forgotten),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
