/* SPDX-License-Identifier: Apache-2.0
 *
 * test_confine_needs.c - what a plan's destinations need, and its way to the SCADA side as
 * arguments.
 */
#include "check.h"

#include "../../daemon/uphole/confine.h"

static void what_is_needed_survives_the_way_through_arguments(void **state)
{
    static const struct confine_needs needs = {
        .n_paths = 2,
        .path = {"/etc/uphole/broker.pass", "/etc/uphole"},
        .n_ports = 2,
        .port = {1502, 65535},
    };
    struct confine_arguments arguments;
    struct confine_needs back;
    (void)state;
    confine_to_arguments(&needs, &arguments);
    assert_true(confine_from_arguments((int)arguments.n, (char *const *)arguments.text, &back));
    assert_memory_equal(&back, &needs, sizeof needs);
    static char *const BAD[][2] = {{"--read", "relative"}, {"--listen", "65536"},
                                   {"--listen", "-1"},     {"--listen", ""},
                                   {"--write", "/tmp"},    {"--listen", "80x"}};
    for (size_t i = 0; i < sizeof BAD / sizeof BAD[0]; i++)
        assert_false(confine_from_arguments(2, BAD[i], &back));
    assert_false(confine_from_arguments(1, BAD[0], &back));
}

/* Planted defect: the directory of every secret taken, whatever lies in it. */
static void a_directory_with_the_journal_is_not_opened_for_a_secret(void **state)
{
    struct destination_plan to[] = {{.medium = DESTINATION_MQTT,
                                     .ca_file = "/var/lib/uphole/ca.pem",
                                     .password_file = "broker.pass"},
                                    {.medium = DESTINATION_MQTT,
                                     .ca_file = "/ca.pem",
                                     .key_file = "/dev/shm/key.pem",
                                     .password_file = "/etc/uphole/broker.pass"},
                                    {.medium = DESTINATION_MODBUS_TCP, .port = 1502}};
    struct plan plan = {.destinations = to, .n_destinations = 3};
    struct confine_needs found;
    (void)state;
    snprintf(plan.journal.path, sizeof plan.journal.path, "/var/lib/uphole");
    confine_needs_of(&plan, &found);
    const char *const expected[] = {"/var/lib/uphole/ca.pem", "/etc/uphole/broker.pass",
                                    "/etc/uphole", "/ca.pem", "/dev/shm/key.pem"};
    check_count("paths", (long long)found.n_paths, 5);
    for (size_t i = 0; i < found.n_paths; i++)
        check_text("path", found.path[i], expected[i]);
    check_count("ports", (long long)found.n_ports, 1);
    check_count("port", found.port[0], 1502);
}

/* Planted defect: the ports aren't compared. */
static void a_new_secret_or_port_is_more_than_the_running_side_may(void **state)
{
    struct destination_plan to[] = {
        {.medium = DESTINATION_MQTT, .password_file = "/etc/uphole/broker.pass"},
        {.medium = DESTINATION_MODBUS_TCP, .port = 1502}};
    struct plan plan = {.destinations = to, .n_destinations = 2};
    struct confine_needs had, wants;
    (void)state;
    snprintf(plan.journal.path, sizeof plan.journal.path, "/var/lib/uphole");
    confine_needs_of(&plan, &had);
    assert_true(confine_is_enough(&had, &had));
    snprintf(to[0].password_file, sizeof to[0].password_file, "/etc/uphole/other.pass");
    confine_needs_of(&plan, &wants);
    assert_false(confine_is_enough(&had, &wants)); /* it may be a link to elsewhere */
    to[0] = (struct destination_plan){.medium = DESTINATION_MQTT, .password_file = "by-name"};
    confine_needs_of(&plan, &wants);
    assert_true(confine_is_enough(&had, &wants)); /* one of systemd's credentials, or less */
    assert_false(confine_is_enough(&wants, &had));
    to[1].port = 1503;
    confine_needs_of(&plan, &wants);
    assert_false(confine_is_enough(&had, &wants));
    plan.n_destinations = 0;
    confine_needs_of(&plan, &wants);
    assert_true(confine_is_enough(&had, &wants));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_needed_survives_the_way_through_arguments),
        cmocka_unit_test(a_new_secret_or_port_is_more_than_the_running_side_may),
        cmocka_unit_test(a_directory_with_the_journal_is_not_opened_for_a_secret),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
