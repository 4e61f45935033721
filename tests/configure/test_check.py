#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""test_check.py PROGRAM SOURCE_DIRECTORY - what a person and a script see of `uphole check`: exit codes, the summary, advice."""
import json
import os
import re
import subprocess
import sys
import tempfile
import unittest

PROGRAM, SOURCE = sys.argv[1], sys.argv[2]
EXAMPLE = os.path.join(SOURCE, "config", "uphole.yaml")
MAPS = os.path.join(SOURCE, "config", "maps")


def check(*arguments):
    return subprocess.run([PROGRAM, *arguments], capture_output=True, text=True, timeout=300)


def words(text):
    return " ".join(text.split())


class Check(unittest.TestCase):
    def with_text(self, text, *arguments):
        with tempfile.NamedTemporaryFile("w", suffix=".yaml") as file:
            file.write(text)
            file.flush()
            return check("--maps", MAPS, *arguments, file.name)

    def example(self):
        with open(EXAMPLE, encoding="utf-8") as file:
            return file.read()

    def lean(self):
        """The example with little well data: what is missing is what is shown."""
        lean = "    well_data:\n      - {from: 2031-01-10T08:00:00Z, intake_depth: 1850 m TVD, oil_gravity: 32 API, water_cut: 60 %}\n"
        text, n = re.subn(r"    well_data:.*?(?=  heron-8:)", lean, self.example(), flags=re.S)
        self.assertEqual(n, 1)
        return text

    def facts(self, text):
        got = self.with_text(text, "--json")
        self.assertEqual(got.returncode, 0, got.stderr + got.stdout)
        return json.loads(got.stdout)

    # Exit codes of sysexits.h: EX_USAGE 64, EX_NOINPUT 66, EX_CONFIG 78.
    def test_exit_codes_tell_good_bad_missing_and_usage_apart(self):
        self.assertEqual(check(EXAMPLE).returncode, 0)
        self.assertEqual(self.with_text("site: X\n").returncode, 78)
        self.assertEqual(check("/no/such/file.yaml").returncode, 66)
        self.assertEqual(check("--colour").returncode, 64)
        self.assertEqual(check("a", "b").returncode, 64)
        self.assertEqual(check("--config").returncode, 64)

    def test_errors_go_to_standard_error_and_nothing_else_is_said(self):
        got = self.with_text(self.example().replace("response_timeout: 1 s", "response_timeout: 1"))
        self.assertEqual(got.stdout, "")
        self.assertRegex(got.stderr, r"\.yaml:9:23: `response_timeout: 1` has no unit; a duration needs its unit, such as `1 s`\n")

    def test_errors_as_json_hold_the_same(self):
        got = self.with_text(self.example().replace("8N1", "8X1"), "--json")
        self.assertEqual(got.returncode, 78)
        errors = json.loads(got.stdout)
        self.assertFalse(errors["good"])
        self.assertEqual((errors["errors"][0]["line"], errors["errors"][0]["column"]), (8, 12))

    def test_the_printed_plan_is_itself_a_configuration_with_the_same_plan(self):
        first = check("--print-plan", EXAMPLE)
        again = self.with_text(first.stdout, "--print-plan")
        self.assertEqual(again.returncode, 0, again.stderr)
        self.assertEqual(first.stdout, again.stdout)

    # Against a program that nobody here wrote: sha256sum of GNU coreutils.
    def test_the_digest_is_the_sha256_of_the_plans_text(self):
        text = check("--print-plan", EXAMPLE).stdout
        theirs = subprocess.run(["sha256sum"], input=text.encode(), capture_output=True, check=True).stdout.decode()[:64]
        self.assertEqual(json.loads(check("--json", EXAMPLE).stdout)["plan"], theirs)
        self.assertIn(f"plan {theirs[:8]}.", check(EXAMPLE).stdout)

    # A 60 s poll of a 28 s gauge: 60 + 28 = 88 s is a healthy age, and 28 / 60 = 47 % of refreshes are seen (arithmetic; 28 s is common
    # practice, no source).
    def test_a_slow_poll_shows_its_healthy_age_and_what_is_lost(self):
        text = self.example().replace("poll_every: 10 s\n          serial", "poll_every: 60 s\n          serial")
        got = words(self.with_text(text).stdout)
        self.assertIn("a healthy value reaches 60 s + 28 s = 88 s", got)
        self.assertIn("47 % of refreshes seen", got)
        self.assertIn("stale after 2 x poll + refresh + one round = 2 x 60 s + 28 s + 2.88 s = 151 s", got)
        self.assertEqual(self.facts(text)["sources"][0]["healthy_age_ms"], 88000)

    def test_a_stale_limit_below_the_sum_is_refused_with_the_sum(self):
        got = self.with_text(self.example().replace("poll_every: 10 s\n          serial", "poll_every: 60 s\n          stale_limit: 80 s\n          serial"))
        self.assertEqual(got.returncode, 78)
        self.assertIn("60 s + 28 s = 88 s", got.stderr)

    # T(N) = (13 + 2N) x bits / baud + 2 x t3.5 + reply delay, with 20 ms of delay: three reads of 2, 31 and 1 registers at 9600 8N1.
    def test_wire_time_and_share_follow_the_arithmetic_of_the_wire(self):
        source = self.facts(self.example())["sources"][0]
        counts = [read["count"] for read in source["reads"]]
        expected = sum((13 + 2 * n) * 10e6 / 9600 + 2 * 3.5 * 10e6 / 9600 + 20000 for n in counts)
        self.assertAlmostEqual(source["wire_us"], expected, delta=10)
        self.assertAlmostEqual(source["share"], expected / 10e6, places=4)

    def test_a_line_that_is_too_busy_is_advised_against(self):
        text = self.example().replace("9600 baud", "2400 baud").replace("poll_every: 10 s", "poll_every: 2 s")
        self.assertIn("Above 50 % a fault leaves no time to catch up", words(self.with_text(text).stdout))
        self.assertNotIn("Above 50 %", words(check(EXAMPLE).stdout))

    def test_missing_well_data_say_what_they_switch_off(self):
        got = words(self.with_text(self.lean()).stdout)
        self.assertIn("heron-8 worked out: pump_differential_pressure, ", got)
        self.assertIn("no liquid_density, nor oil_gravity with water_cut: switches off pump_head and fluid_level_above_intake", got)
        self.assertIn("heron-7 worked out: motor_temperature_rise, vibration_resultant, ", got)
        self.assertIn("fluid_level_above_intake is off: intake_pressure and casing_head_pressure must count from the same `reference`, or well_data must state local_atmosphere", got)
        self.assertIn("run_time, liquid_density, liquid_gradient, electrical_power, boiling_margin, electrical_input pump_differential_pressure is off: no discharge_pressure, or it is stated as not fitted", got)
        self.assertIn("no water_density: that of fresh water, 999.016 kg/m3, stands in", got)
        self.assertNotIn("no water_density", words(self.with_text(self.lean().replace("water_cut: 60 %}", "water_cut: 60 %, water_density: 1050 kg/m3}")).stdout))

    def test_well_parameters_name_what_they_lack(self):
        got = words(self.with_text(self.lean()).stdout)
        for sentence in ("datum_pressure is off: well_data states no gauge_depth, datum_depth submergence",
                         "free_gas_fraction, turpin_number are off: well_data states no gas_gravity, gas_oil_ratio ",
                         "submergence, fluid_level_depth are off: casing_head_pressure must be absolute, or well_data must state local_atmosphere",
                         "electrical_power is off: no motor_voltage, or it is stated as not fitted",
                         "datum_pressure is off: well_data states no gauge_depth, datum_depth, liquid_density (or oil_gravity with water_cut)"):
            self.assertIn(sentence, got)
        more = "water_cut: 60 %, gauge_depth: 1862 m TVD, datum_depth: 2010 m TVD, liquid_rate: 240 m3/d, reference_frequency: 50 Hz}"
        text = self.lean().replace("water_cut: 60 %}", more)
        got = words(self.with_text(text).stdout)
        self.assertIn("run_time, datum_pressure, liquid_density, liquid_gradient, reference_rate, electrical_power, specific_energy, boiling_margin, electrical_input ", got)
        self.assertNotIn("datum_pressure is off: well_data states no gauge_depth, datum_depth submergence", got)
        self.assertIn("no oil_volume_factor: 1 stands in", got)
        points = {w["well"]: {p["point"]: p for p in w["points"]} for w in json.loads(self.with_text(self.lean(), "--json").stdout)["derived"]}
        self.assertEqual(points["heron-7"]["boiling_margin"], {"point": "boiling_margin", "state": "worked_out"})
        self.assertEqual(points["heron-7"]["drawdown"]["why"], "well_data states no gauge_depth, datum_depth, static_pressure")
        self.assertEqual(len(points["heron-8"]), 61)

    def test_power_and_pump_name_what_they_lack(self):
        """A point is off by name; and a side of the transformer asks for the transformer only where it must be crossed."""
        data = lambda got: {p["point"]: p.get("why", p["state"]) for p in json.loads(got.stdout)["derived"][0]["points"]}
        full = data(self.with_text(self.example(), "--json"))
        for point in ("electrical_input", "cable_loss", "motor_efficiency", "curve_head", "fetkovich_rate"):
            self.assertEqual(full[point], "worked_out")
        without = lambda key: data(self.with_text(re.sub(r"^ +%s:.*\n" % key, "", self.example(), flags=re.M), "--json"))
        self.assertEqual(without("transformer_efficiency")["motor_efficiency"], "well_data states no transformer_efficiency")
        self.assertEqual(without("transformer_efficiency")["electrical_input"], "worked_out")  # the map: drive side
        self.assertEqual(without("transformer_ratio")["motor_efficiency"], "worked_out")  # the map: current of the motor side
        self.assertEqual(without("cable_size")["cable_loss"], "well_data states no cable_resistance (or cable_size)")
        self.assertEqual(without("stages")["curve_head"], "well_data states no stages")
        self.assertEqual(without("curve_frequency")["curve_head"], "well_data states no curve_frequency")
        whole = self.example().replace("stage_head [m], stage_power [kW]", "head [m], power [kW]")
        self.assertEqual(data(self.with_text(re.sub(r"^ +stages:.*\n", "", whole, flags=re.M), "--json"))["curve_head"], "worked_out")
        bare = self.example().replace("          - {at: 2031-01-05T06:00:00Z, rate: 230 m3/d, pressure: 10.5 MPa absolute}\n", "")
        self.assertEqual(data(self.with_text(bare, "--json"))["fetkovich_rate"], "well_data states no inflow_tests (two, or one with fetkovich_exponent)")
        self.assertEqual(data(self.with_text(bare.replace("        stages:", "        fetkovich_exponent: 0.85\n        stages:"), "--json"))["fetkovich_rate"], "worked_out")
        power = re.sub(r", stage_power \[kW\]\n( +[-0-9., ]+\n)+", lambda m: re.sub(r", (stage_power \[kW\]|[0-9.]+)\n", "\n", m.group(0)), self.example())
        self.assertEqual(data(self.with_text(power, "--json"))["motor_efficiency"], "well_data states no power or efficiency in pump_curve")
        self.assertEqual(data(self.with_text(power, "--json"))["curve_head"], "worked_out")

    def test_a_survey_shows_the_depths_that_it_makes(self):
        self.assertIn("survey: 5 stations to 2150.0 m; intake 1920.0 m MD is 1811.0 m TVD; gauge 1932.0 m MD is 1821.6 m TVD; datum 2100.0 m MD is 1969.3 m TVD",
                      words(check(EXAMPLE).stdout))

    def test_well_data_unlike_any_well_are_pointed_out(self):
        """Each by a change of the example, which itself is advised of nothing of the kind. Planted: each comparison turned around."""
        sentences = {
            ("datum_depth: 2100 m MD", "datum_depth: 2200 m MD"): "datum_depth lies 50.0 m below the survey's last station",
            ("          0, 0, 0\n          600, 0, 0\n", ""): "the survey begins at 900.0 m with an inclination of 14.0 deg",
            ("gauge_depth: 1932", "gauge_depth: 1900"): "gauge_depth lies 17.6 m above intake_depth",
            ("datum_depth: 2100", "datum_depth: 1800"): "above intake_depth; the perforations are usually below the pump",
            ("240, 8.6, 0.41", "240, 9.6, 0.41"): "the head of pump_curve does not fall between 160 and 240 m3/d",
            ("320, 7.7, 0.45", "320, 7.7, 0.045"): "more than a pump has",
            ("rated_current: 32 A", "rated_current: 12 A"): "of power factor times efficiency",
            ("        rated_frequency: 60 Hz\n", ""): "rated_power without rated_frequency is not used",
            ("transformer_ratio: 4.6", "transformer_ratio: 0.217"): "transformer_ratio of 0.217 steps down",
            ("cable_length: 1990 m", "cable_length: 1905 m"): "cable_length is 15 m less than the depth of the intake",
            ("        cable_size:", "        cable_resistance: 0.52 ohm/km\n        cable_size:"): "cable_resistance and cable_size are both stated",
            ("water_density: 1050", "water_density: 850"): "is below that of its oil, 865 kg/m3",
            ("bubble_point: 8 MPa", "bubble_point: 23 MPa"): "bubble_point lies above static_pressure",
            ("pressure: 15 MPa", "pressure: 22 MPa"): "a flowing pressure of 22000 kPa, not below static_pressure",
            ("rate: 230 m3/d", "rate: 330 m3/d"): "Fetkovich's exponent is 1.81 by inflow_tests",
            ("        stages:", "        fetkovich_exponent: 1.2\n        stages:"): "Fetkovich's exponent is 1.20 as stated",
        }
        quiet = words(check(EXAMPLE).stdout)
        for (old, new), sentence in sentences.items():
            self.assertIn(old, self.example())
            self.assertNotIn(sentence, quiet)
            self.assertIn(sentence, words(self.with_text(self.example().replace(old, new, 1)).stdout))

    def test_halves_of_two_values_in_one_register_are_pointed_out(self):
        with open(os.path.join(MAPS, "scaled-16.yaml"), encoding="utf-8") as file:
            scaled = file.read()
        body = "maps:\n  scaled-16:\n" + "".join("    " + line for line in scaled.splitlines(True))
        body = body.replace("input: 17, type: s16, scale: 0.1", "input: 15, type: s32, words: high-first, scale: 0.1")
        body = body.replace("not_fitted: [0x8000]}", "not_fitted: [0x80000000]}", 1)
        got = words(self.with_text(self.example() + body).stdout)
        self.assertIn("intake_pressure (16 to 16 on the wire) and intake_temperature (15 to 16) share registers", got)

    def test_estimates_are_of_the_right_size(self):
        facts = self.facts(self.example())
        # 8,640 scans a day of each of three sources; a record of 19 points is between 0.5 and 3 kB of JSON.
        broker = facts["destinations"][0]
        self.assertEqual(broker["messages_a_day"], 3 * 8640 + 2 * 1440)
        self.assertTrue(3 * 8640 * 500 < broker["bytes_a_day"] < 3 * 8640 * 4000, broker)
        # 8 bytes and one a word of each scan: about twice what a year of noisy registers was measured at (docs/performance.md).
        words = [sum(read["count"] for read in source["reads"]) for source in facts["sources"]]
        self.assertEqual(facts["disk_bytes_a_day"], sum(8640 * (8 + n) for n in words))

    # Planted defect: a list of channels that is cut where it finds no room.
    def test_no_list_of_channels_is_cut_unseen(self):
        text = self.example().replace("confirmed_units: all", "confirmed_units: [discharge_pressure]", 1)
        got = words(self.with_text(text).stdout)
        listed = re.search(r"The gauge of well heron-7: these are sent as unit_unconfirmed until .*?`confirmed_units`: (.*?)\.( - |$)", got)
        self.assertIn("vibration_y", listed.group(1))
        self.assertRegex(listed.group(1).split(", ")[-1], r"^[a-z_0-9]+( and \d+ more)?$")
        self.assertNotIn("...", listed.group(1))

    def test_lines_keep_to_the_width(self):
        for line in check(EXAMPLE).stdout.splitlines():
            self.assertLessEqual(len(line), 120, line)

    def test_one_map_is_shown_to_compare_with_the_units_document(self):
        got = check("--map", os.path.join(MAPS, "float-low-first.yaml"))
        self.assertEqual(got.returncode, 0, got.stderr)
        # Low word first: the marker 0x7FC00000 stands as 0x0000 0x7FC0; 40111 as printed is 110 on the wire.
        self.assertIn("intake_pressure holding 110 400111 f32, low word first psi gauge; not fitted: 0x0000 0x7FC0", words(got.stdout))
        self.assertEqual(check("--map", EXAMPLE).returncode, 78)
        self.assertEqual(check("--map", "/no/such/map.yaml").returncode, 66)

    def test_a_map_taken_for_a_configuration_is_told_apart(self):
        self.assertIn("this looks like a map", check(os.path.join(MAPS, "drive-a.yaml")).stderr)

    # Planted defect: `check` that describes the newest entry, which may begin in years. Dates stand far off, so that any clock agrees.
    def test_the_entry_that_is_used_now_is_described_and_later_ones_are_listed(self):
        text = self.example().replace("2031-01-10", "2020-01-10").replace("2031-01-12", "2020-01-12")
        line = "        - {from: 2020-01-12T08:00:00Z, line: pad-line, unit_id: 2, map: float-low-first, poll_every: 10 s, confirmed_units: [intake_pressure, intake_temperature]}\n"
        self.assertIn(line, text)
        later = line.replace("2020-01-12", "2999-01-12").replace("unit_id: 2", "unit_id: 3")
        text = text.replace(line, line + later)
        got = words(self.with_text(text).stdout)
        self.assertIn("gauge: map float-low-first, line pad-line, unit id 2, every 10 s", got)
        self.assertIn("from 2999-01-12 08:00:00Z: map float-low-first, line pad-line, unit id 3, every 10 s", got)
        self.assertNotIn("until then it is used", got)
        source = self.facts(text)["sources"][-1]
        self.assertEqual((source["unit_id"], source["has_begun"], source["from"]), (2, True, "2020-01-12T08:00:00.000Z"))
        self.assertEqual([(entry["from"], entry["unit_id"]) for entry in source["later"]], [("2999-01-12T08:00:00.000Z", 3)])

    def test_a_source_whose_first_entry_has_not_begun_is_advised_about_and_shown(self):
        text = self.example().replace("2031-01-12", "2999-01-12")
        got = words(self.with_text(text).stdout)
        self.assertIn("The gauge of well heron-8: its first entry begins at 2999-01-12 08:00:00Z: until then it is used as if it began now.", got)
        self.assertIn("gauge: map float-low-first, line pad-line, unit id 2, every 10 s", got)
        self.assertFalse(self.facts(text)["sources"][-1]["has_begun"])

    # Planted defect: a summary that counts with `keep` where `at_most` comes first.
    def test_what_the_journal_keeps_is_said(self):
        facts = self.facts(self.example())
        days = f"{0.95 * 2e9 / facts['disk_bytes_a_day']:.0f}"
        got = words(check(EXAMPLE).stdout)
        self.assertIn(f"95 % of 2.0 GB (`at_most`) are used after about {days} days. The oldest scans go: at `keep` once every destination has accepted "
                      "them, near `at_most` in any case", got)
        self.assertNotIn("retained", got)
        small = words(self.with_text(self.example().replace("at_most: 2 GB", "at_most: 20 MB")).stdout)
        days = f"{0.95 * 20e6 / facts['disk_bytes_a_day']:.0f}"
        self.assertIn("`keep` of 400 days needs about", small)
        self.assertIn(f"the oldest scans go after about {days} days, accepted or not", small)

    # Planted defect: check-windows-unsaid. An hour's mean reaches over an hour and a minute, and what its first reading needs (daemon/measure/window.c): more
    # than 60 min; without windows the slowest poll of the example, 101 scans at 10 s, is 17 min and less than any `keep` that is taken.
    def test_keep_below_the_longest_window_is_said(self):
        hour = self.example().replace("keep: 400 days", "keep: 60 min")
        self.assertNotIn("is measured", words(self.with_text(hour).stdout))
        means = hour.replace("# statistics_coverage: 75 %", "statistics_coverage: 75 %")
        got = re.search(r"`keep` leaves (60) min of scans, less than the (\d+) min from which a value of well heron-7 is measured: of scans that old none can "
                        r"be sent again, replayed or recalculated\. Set `keep` so that more than \2 min are kept; a day leaves history", words(self.with_text(means).stdout))
        self.assertIsNotNone(got, self.with_text(means).stdout)
        enough = means.replace("keep: 60 min", f"keep: {got[2]} min")
        self.assertNotIn("is measured", words(self.with_text(enough).stdout))
        slow = self.example().replace("keep: 400 days", "keep: 60 min").replace("poll_every: 10 s", "poll_every: 60 s")
        self.assertIn("`keep` leaves", words(self.with_text(slow).stdout))

    def test_an_interval_under_review_is_shown_and_a_wrong_one_refused(self):
        text = self.example().replace("at_most: 2 GB", "at_most: 2 GB, retain: [{from: 2031-03-01T06:00:00Z, to: 2031-03-02T06:00:00Z, reason: pump trip}]")
        got = words(self.with_text(text).stdout)
        self.assertIn("retained: 2031-03-01 06:00:00Z to 2031-03-02 06:00:00Z, pump trip", got)
        self.assertIn("`retain` stops retention at its first interval", got)
        wrong = self.with_text(text.replace("to: 2031-03-02", "to: 2031-02-02"))
        self.assertEqual(wrong.returncode, 78)
        self.assertIn("`to` lies before `from`", wrong.stdout + wrong.stderr)

    def test_what_is_no_file_is_refused_at_once_and_says_what_to_do(self):
        with tempfile.TemporaryDirectory() as directory:
            pipe = os.path.join(directory, "pipe")
            os.mkfifo(pipe)
            for path in (pipe, directory):
                got = subprocess.run([PROGRAM, path], capture_output=True, text=True, timeout=100)
                self.assertEqual(got.returncode, 66)
                self.assertIn("is no file; expected one that holds the text", got.stderr)
        self.assertIn("no such file; name the file by its full path", check("/no/such/file.yaml").stderr)

    def test_an_empty_name_or_value_is_wrong_usage(self):
        for arguments in ([""], ["--config", ""], ["--config="], ["--map", ""]):
            self.assertEqual(check(*arguments).returncode, 64, arguments)

    def test_an_option_that_is_not_known_gives_one_message(self):
        got = check("--nosuch", EXAMPLE)
        self.assertEqual(got.stderr.splitlines()[0], "uphole check: option '--nosuch' is not known")
        self.assertEqual(got.stderr.count("nosuch"), 1)
        self.assertIn("option '--json=5' takes no value", check("--json=5").stderr)
        self.assertIn("option '--config' needs a value", check("--config").stderr)

    def test_an_empty_secret_is_pointed_out(self):
        with tempfile.NamedTemporaryFile("w") as secret:
            got = words(self.with_text(self.example().replace("/etc/uphole/broker.pass", secret.name)).stdout)
            self.assertIn(f"{secret.name} (`password_file`) is empty.", got)

    def test_one_register_may_be_written_in_the_singular(self):
        with open(os.path.join(MAPS, "drive-a.yaml"), encoding="utf-8") as file:
            text = file.read()
        text = re.sub(r"^largest_read:.*\n", "", text, flags=re.M)
        with tempfile.NamedTemporaryFile("w", suffix=".yaml") as file:
            file.write(text + "largest_read: 1 register\n")
            file.flush()
            got = check("--map", file.name)
            self.assertIn("motor_power takes 2 registers, more than `largest_read` of 1", got.stderr)
            self.assertNotIn("`largest_read: 1", got.stderr)

    def test_a_bit_of_the_reference(self):
        self.assertIn("| `response_timeout` | a duration, 20 ms to 60 s | 1 s |", check("--reference").stdout)
        self.assertEqual(check("--reference=points").returncode, 64)


if __name__ == "__main__":
    unittest.main(argv=[sys.argv[0]], verbosity=1)
