/* SPDX-License-Identifier: Apache-2.0
 *
 * keys.c - the one table of keys. A new key is a new row here; parser, defaults, canonical text and
 * reference follow.
 */
#include "keys.h"

#include <math.h>
#include <stddef.h>

#define FIELD(structure, member)                                                                   \
    offsetof(struct structure, member), sizeof(((struct structure *)0)->member)
#define NO_FIELD 0, 0
#define MS 1.0
#define S 1000.0
#define MIN 60000.0
#define HOUR 3600000.0
#define DAY 86400000.0
#define SERIAL LINE_MEDIUM_SERIAL
#define TCP LINE_MEDIUM_TCP
#define RTU_TCP LINE_KEYS_RTU_OVER_TCP
#define ANY_TCP (TCP | RTU_TCP)
#define ANY_RTU (SERIAL | RTU_TCP)
#define MQTT DESTINATION_MQTT
#define TABLE DESTINATION_MODBUS_TCP

const struct choice CHOICES_REFERENCE[] = {{"absolute", REFERENCE_ABSOLUTE},
                                           {"gauge", REFERENCE_GAUGE},
                                           {"unknown", REFERENCE_UNKNOWN},
                                           {NULL, 0}};
const struct choice CHOICES_WORDS[] = {
    {"high-first", WORDS_HIGH_FIRST}, {"low-first", WORDS_LOW_FIRST}, {NULL, 0}};
const struct choice CHOICES_BYTES[] = {
    {"high-first", BYTES_HIGH_FIRST}, {"low-first", BYTES_LOW_FIRST}, {NULL, 0}};
const struct choice CHOICES_TYPE[] = {{"u16", TYPE_U16},       {"s16", TYPE_S16},
                                      {"u32", TYPE_U32},       {"s32", TYPE_S32},
                                      {"u64", TYPE_U64},       {"s64", TYPE_S64},
                                      {"f32", TYPE_F32},       {"f64", TYPE_F64},
                                      {"bcd16", TYPE_BCD16},   {"bcd32", TYPE_BCD32},
                                      {"m10k32", TYPE_M10K32}, {"bits", TYPE_BITS},
                                      {"text", TYPE_TEXT},     {NULL, 0}};
const struct choice CHOICES_SOURCE[] = {
    {"gauge", SOURCE_GAUGE}, {"drive", SOURCE_DRIVE}, {"wellhead", SOURCE_WELLHEAD}, {NULL, 0}};
const struct choice CHOICES_MQTT_VERSION[] = {{"5", 5}, {"3.1.1", 3}, {NULL, 0}};
const struct choice CHOICES_FRAMING[] = {
    {"tcp", LINE_FRAMING_TCP}, {"rtu", LINE_FRAMING_RTU}, {NULL, 0}};
const struct choice CHOICES_SHARING[] = {
    {"no", LINE_ALONE}, {"yes", LINE_SHARED}, {"listen", LINE_LISTENS}, {NULL, 0}};
const struct choice CHOICES_RS485[] = {{"none", 0}, {"driver", 1}, {NULL, 0}};
const struct choice CHOICES_FROM[] = {{"newest", 0}, {"oldest", 1}, {NULL, 0}};
const struct choice CHOICES_ROLE[] = {{"live", STATUS_LIVE},
                                      {"starting", STATUS_STARTING},
                                      {"silent", STATUS_SILENT},
                                      {"fault", STATUS_FAULT},
                                      {NULL, 0}};
const struct choice CHOICES_NUMBERING[] = {
    {"from-0", 1}, {"from-1", 2}, {"as-printed", 3}, {NULL, 0}};
const struct choice CHOICES_MISSING[] = {{"nan", 0}, {"last", 1}, {NULL, 0}};
const struct choice CHOICES_UNIT_SET[] = {
    {"metric", UNITS_METRIC}, {"us", UNITS_US}, {"own", UNITS_OWN}, {NULL, 0}};
const struct choice CHOICES_TABLE[] = {{"coil", TABLE_COIL},
                                       {"discrete", TABLE_DISCRETE},
                                       {"holding", TABLE_HOLDING},
                                       {"input", TABLE_INPUT},
                                       {NULL, 0}};

const struct choice CHOICES_CABLE[] = {{"1/0 AWG", CABLE_AWG_1_0}, {"1 AWG", CABLE_AWG_1},
                                       {"2 AWG", CABLE_AWG_2},     {"3 AWG", CABLE_AWG_3},
                                       {"4 AWG", CABLE_AWG_4},     {"6 AWG", CABLE_AWG_6},
                                       {"8 AWG", CABLE_AWG_8},     {"6 mm2", CABLE_MM2_6},
                                       {"10 mm2", CABLE_MM2_10},   {"16 mm2", CABLE_MM2_16},
                                       {"25 mm2", CABLE_MM2_25},   {"35 mm2", CABLE_MM2_35},
                                       {"50 mm2", CABLE_MM2_50},   {"70 mm2", CABLE_MM2_70},
                                       {NULL, 0}};

static const struct section_row SECTIONS[SECTION_COUNT] = {
    [SECTION_TOP] = {"", "the configuration",
                     "One file, `uphole.yaml`, says everything. `uphole check FILE` reads it "
                     "without touching a line or a network."},
    [SECTION_LINE] = {"lines.NAME", "a line",
                      "A line is one serial line or one TCP connection. State `serial` or `tcp`, "
                      "never both. Several sources may share a line."},
    [SECTION_WELL] =
        {"wells.ID", "a well",
         "The id of a well is for ever: records and topics carry it. Its label may change."},
    [SECTION_SOURCES] = {"wells.ID.sources", "the sources of a well",
                         "Each source is a list of dated entries; a scan is measured with the "
                         "entry valid at its time, the first one also before its own date."},
    [SECTION_ENTRY] = {"wells.ID.sources.SOURCE[]", "a source entry",
                       "One entry: which surface unit, on which line, read with which map. A new "
                       "gauge or map is a new entry below the old one."},
    [SECTION_DATA] = {"wells.ID.well_data[]", "well data",
                      "What formulas need. A datum that is missing switches off only what needs "
                      "it; `uphole check` says what."},
    [SECTION_TEST] = {"wells.ID.well_data[].inflow_tests[]", "a test of the inflow",
                      "One stable rate with its flowing pressure."},
    [SECTION_DESTINATION] = {"destinations.NAME", "a destination",
                             "One way out: an MQTT broker (`mqtt`) or a table of Modbus TCP "
                             "registers (`modbus_tcp`). None can write to a line."},
    [SECTION_VIEW] =
        {"destinations.NAME.views.UNIT_ID", "a view",
         "The same table behind another unit id: units, word order, and what stands where there is "
         "no value. The short form is one text: `metric high-word-first`."},
    [SECTION_JOURNAL] = {"journal", "the journal",
                         "Where raw scans are kept, and for how long. Retention removes the oldest "
                         "ones, for all wells alike: those older than `keep`, once every destination "
                         "has accepted them; and whatever is oldest, accepted or not, when the "
                         "journal nears `at_most` or the disk gives it no more. What had not been "
                         "accepted is counted in the ledger, kind `removed`."},
    [SECTION_RETAIN] = {"journal.retain[]", "an interval under review",
                        "Retention takes no scan of the interval, and none that is younger. While it "
                        "stands in the way, the journal grows beyond `at_most` until the disk is "
                        "full; then new scans are shown, but lost. `uphole status` says so."},
    [SECTION_MAP] =
        {"", "a map",
         "A map says where a kind of surface unit keeps its channels and how to decode them. It "
         "stands in `maps/NAME.yaml` beside the configuration, or below `maps:` in it."},
    [SECTION_STATUS] =
        {"gauge_status", "the gauge's status",
         "The word by which the surface unit says whether it hears its gauge. Give `bits` or "
         "`values`. Without it the state of the gauge is judged from its channels alone."},
    [SECTION_REGISTER] =
        {"refresh_counter", "a register",
         "One register (or two) that is no point: the counter that changes with each refresh of "
         "the gauge."},
    [SECTION_UNIT_REGISTER] =
        {"unit_register", "the unit-setting register",
         "Where the surface unit keeps the units that are set on its own screen. With a register "
         "alone it is watched: each change is told. With `pressure` or `temperature` all channels "
         "of that kind are decoded by what it says in the same scan; `unit` of such a channel is "
         "one of the meanings, that for which its `scale` stands. Numbers are those of the "
         "register, or of `bits` of it; `{unit: psi, scale: 0.1}` where numbers in that unit are "
         "scaled otherwise than the channels say. While the register holds something else, or was "
         "not read for ten minutes, such channels are `unit_unconfirmed` and decoded as `unit` "
         "says. Ranges and rates are physical: they hold in any unit."},
    [SECTION_CHANNEL] = {"channels.POINT", "a channel",
                         "One quantity: exactly one of `input`, `holding`, `coil` or `discrete` "
                         "says where it stands. `POINT` is an id of the list of points."},
};

/* clang-format off */
static const struct key KEYS[] = {
    /* section, kind, required, only, name, form, default, low, high, quantity, suffix, choices, field, help */
    {SECTION_TOP, VALUE_NAME, true, 0, "site", "a name", NULL, 0, 0, 0, NULL, NULL, FIELD(plan, site), "The site; stands in every topic. A change needs a restart."},
    {SECTION_TOP, VALUE_NAME, true, 0, "box", "a name", NULL, 0, 0, 0, NULL, NULL, FIELD(plan, box), "This box; two boxes never share it. It is the name by which a broker knows it."},
    {SECTION_TOP, VALUE_NAME, false, 0, "orders_group", "a name", NULL, 0, 0, 0, NULL, NULL, FIELD(plan, orders_group), "A group of /etc/group whose members may give orders (`hold`, `note`, `resend`, `reload`), as Uphole's own user and root always may. To reach the socket they must be in its group as well. Without it nobody else may."},
    {SECTION_TOP, VALUE_SPECIAL, true, 0, "lines", "sections by name", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Serial lines and TCP connections to surface units and drives, at most 32."},
    {SECTION_TOP, VALUE_SPECIAL, true, 0, "wells", "sections by id", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Wells, at most 128. No well may be called `box`."},
    {SECTION_TOP, VALUE_SPECIAL, false, 0, "destinations", "sections by name", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Where readings go, at most 8. Without one readings are only journaled."},
    {SECTION_TOP, VALUE_SPECIAL, false, 0, "journal", "section", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Where raw scans are kept."},
    {SECTION_TOP, VALUE_SPECIAL, false, 0, "maps", "sections by name", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Maps written into the configuration itself; else each is looked up as a file."},

    {SECTION_LINE, VALUE_PATH, false, SERIAL, "serial", "a path", NULL, 0, 0, 0, NULL, NULL, FIELD(line_plan, device), "The serial port. A name under /dev/serial/by-id stays the same when converters are plugged again."},
    {SECTION_LINE, VALUE_SPECIAL, false, ANY_TCP, "tcp", "host:port", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "The Modbus TCP server, or the serial device server; port 502 where none is stated."},
    {SECTION_LINE, VALUE_CHOICE, false, ANY_TCP, "framing", "tcp or rtu", "tcp", 0, 0, 0, NULL, CHOICES_FRAMING, FIELD(line_plan, framing), "`rtu` where a serial device server passes the bytes of its serial port on as they are; `tcp` for Modbus TCP."},
    {SECTION_LINE, VALUE_WHOLE, true, SERIAL, "speed", "such as 9600 baud", NULL, 300, 4000000, 0, "baud", NULL, FIELD(line_plan, baud), "Bits a second, as set on the surface unit."},
    {SECTION_LINE, VALUE_WHOLE, false, RTU_TCP, "speed", "such as 9600 baud", "9600 baud", 300, 4000000, 0, "baud", NULL, FIELD(line_plan, baud), "Speed of the line behind the serial device server: only for planning, it sets nothing there."},
    {SECTION_LINE, VALUE_SPECIAL, true, SERIAL, "frame", "such as 8N1", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Data bits (8), parity (N, E or O) and stop bits (1 or 2), as set on the surface unit."},
    {SECTION_LINE, VALUE_DURATION, false, 0, "response_timeout", "a duration", "1 s", 20, 60 * S, 0, NULL, NULL, FIELD(line_plan, response_timeout_ms), "How long an answer may take before the request counts as unanswered."},
    {SECTION_LINE, VALUE_SPECIAL, false, ANY_RTU, "listen_first", "a duration", "one refresh, the longest of its maps", 0, HOUR, 0, NULL, NULL, NO_FIELD, "How long a new line is listened to before the first request, so that another master is noticed before it is disturbed."},
    {SECTION_LINE, VALUE_CHOICE, false, ANY_RTU, "share_line", "yes, no or listen", "no", 0, 0, 0, NULL, CHOICES_SHARING, FIELD(line_plan, share_line), "`yes` only when whoever is responsible for the other master has agreed: our questions can spoil the drive's answers, and a drive may be set to trip on them. `listen`: not a byte is ever sent; what the other master reads is taken from its own exchanges (docs/listening.md)."},
    {SECTION_LINE, VALUE_YES_NO, false, ANY_RTU, "strip_echo", "yes or no", "no", 0, 0, 0, NULL, NULL, FIELD(line_plan, strip_echo), "`yes` for a two-wire converter that returns what we send: our own request is then taken off the front of what comes."},
    {SECTION_LINE, VALUE_CHOICE, false, SERIAL, "rs485", "none or driver", "none", 0, 0, 0, NULL, CHOICES_RS485, FIELD(line_plan, rs485_driver), "`driver` where the serial driver must switch an RS-485 port between sending and receiving; `none` for RS-232 and for converters that switch by themselves."},

    {SECTION_WELL, VALUE_LABEL, false, 0, "label", "a text", NULL, 0, 0, 0, NULL, NULL, FIELD(well_plan, label), "The well's name for people, at most 64 bytes; the id where none is stated."},
    {SECTION_WELL, VALUE_WHOLE, true, 0, "table_block", "0 to 127", NULL, 0, 127, 0, NULL, NULL, FIELD(well_plan, table_block), "The well's block of 512 registers in the Modbus TCP table. Stated, not counted, so that a new well moves no register."},
    {SECTION_WELL, VALUE_SPECIAL, true, 0, "sources", "gauge, drive or wellhead", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "What is read: `gauge`, `drive`, `wellhead`."},
    {SECTION_WELL, VALUE_SPECIAL, false, 0, "well_data", "list of sections", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Depths and fluid data, dated."},

    {SECTION_SOURCES, VALUE_SPECIAL, false, 0, "gauge", "list of entries", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "The surface unit of the downhole gauge."},
    {SECTION_SOURCES, VALUE_SPECIAL, false, 0, "drive", "list of entries", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "The variable speed drive. Only read, never written."},
    {SECTION_SOURCES, VALUE_SPECIAL, false, 0, "wellhead", "list of entries", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "A unit for wellhead instruments."},

    {SECTION_ENTRY, VALUE_INSTANT, true, 0, "from", "a time such as 2031-01-10T08:00:00Z", NULL, 0, 0, 0, NULL, NULL, FIELD(source_entry, from_utc_ms), "Since when this entry holds."},
    {SECTION_ENTRY, VALUE_SPECIAL, true, 0, "line", "the name of a line", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "The line on which the unit answers."},
    {SECTION_ENTRY, VALUE_WHOLE, true, 0, "unit_id", "1 to 247", NULL, 0, 255, 0, NULL, NULL, FIELD(source_entry, unit_id), "The unit's Modbus address; on TCP 0 to 255."},
    {SECTION_ENTRY, VALUE_SPECIAL, true, 0, "map", "the name of a map", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "The map with which its registers are read."},
    {SECTION_ENTRY, VALUE_DURATION, false, 0, "poll_every", "a duration", "10 s", 50, DAY, 0, NULL, NULL, FIELD(source_entry, poll_every_ms), "How often the unit is asked."},
    {SECTION_ENTRY, VALUE_SPECIAL, false, 0, "refresh", "a duration", "the map's", 0, 0, 0, NULL, NULL, NO_FIELD, "How often the gauge hands new data to the surface unit, where it differs from the map's."},
    {SECTION_ENTRY, VALUE_SPECIAL, false, 0, "stale_limit", "a duration", "2 x poll_every + refresh + one round of the line", 0, 0, 0, NULL, NULL, NO_FIELD, "Age from which a value is `stale`. Refused below poll_every + refresh, an age that a healthy value reaches."},
    {SECTION_ENTRY, VALUE_WHOLE, false, 0, "down_after", "1 to 100", "3", 1, 100, 0, NULL, NULL, FIELD(source_entry, down_after), "Failed scans in a row after which the line counts as down."},
    {SECTION_ENTRY, VALUE_WHOLE, false, 0, "freeze_after", "2 to 10000", "40", 2, 10000, 0, NULL, NULL, FIELD(source_entry, freeze_after), "Refreshes without any change of any channel after which the scan counts as frozen."},
    {SECTION_ENTRY, VALUE_LABEL, false, 0, "serial_number", "a text", NULL, 0, 0, 0, NULL, NULL, FIELD(source_entry, serial_number), "Of the gauge or unit."},
    {SECTION_ENTRY, VALUE_SPECIAL, false, 0, "fitted", "{POINT: yes or no}", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "What is known about sensors. A not-fitted marker on a channel stated as fitted is a fault."},
    {SECTION_ENTRY, VALUE_SPECIAL, false, 0, "confirmed_units", "all, or a list of points", "none", 0, 0, 0, NULL, NULL, NO_FIELD, "Points whose unit was compared with the surface unit's own screen. Pressures, temperatures and vibration that aren't listed are `unit_unconfirmed`; other kinds need no confirmation."},

    {SECTION_DATA, VALUE_INSTANT, true, 0, "from", "a time such as 2031-01-10T08:00:00Z", NULL, 0, 0, 0, NULL, NULL, FIELD(well_data, from_utc_ms), "Since when these data hold."},
    {SECTION_DATA, VALUE_SPECIAL, false, 0, "survey", "a CSV file, or the table itself", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Deviation survey: columns `md [m]`, `inc [deg]`, `azi [deg]` (or ft, rad), a station a row, at most 1000. A file is looked up beside the configuration; written below `survey: |` the table stands in the configuration itself. By minimum curvature it makes true vertical depths of measured ones; below its last station what needs the depth is Uncertain (extrapolated)."},
    {SECTION_DATA, VALUE_SPECIAL, false, 0, "intake_depth", "1850 m TVD or 1897 m MD", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Depth of the pump intake: true vertical (`TVD`), or measured along the hole (`MD`) where a `survey` is stated."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "oil_gravity", "32 API", NULL, -10, 100, QUANTITY_OIL_GRAVITY, NULL, NULL, FIELD(well_data, oil_gravity_api), "Stock-tank oil gravity."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "water_cut", "60 %", NULL, 0, 1, QUANTITY_RATIO, NULL, NULL, FIELD(well_data, water_cut_ratio), "Share of water in the liquid."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "water_density", "1050 kg/m3", NULL, 500, 2000, QUANTITY_DENSITY, NULL, NULL, FIELD(well_data, water_density_kg_m3), "Density of the produced water."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "liquid_density", "920 kg/m3", NULL, 300, 2500, QUANTITY_DENSITY, NULL, NULL, FIELD(well_data, liquid_density_kg_m3), "Mean density of the liquid in the pump, where it is known as one number."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "local_atmosphere", "101.3 kPa", NULL, 50, 110, QUANTITY_PRESSURE, NULL, NULL, FIELD(well_data, local_atmosphere_kpa), "Atmospheric pressure at the wellhead. Nothing is added to a pressure without it; with it fluid_level_above_intake may take an absolute intake pressure and a gauge casing head pressure."},
    {SECTION_DATA, VALUE_SPECIAL, false, 0, "gauge_depth", "1850 m TVD or 1897 m MD", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Depth at which the gauge measures the intake pressure, as TVD or MD. Where it is stated, fluid level and submergence count from it."},
    {SECTION_DATA, VALUE_SPECIAL, false, 0, "datum_depth", "1850 m TVD or 1897 m MD", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Depth of the datum, usually the middle of the perforations, as TVD or MD."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "port_spacing", "12 m", NULL, 0, 200, QUANTITY_LENGTH, NULL, NULL, FIELD(well_data, port_spacing_m), "Vertical height of the discharge pressure above the intake pressure."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "casing_inner_diameter", "159 mm", NULL, 0.05, 1, QUANTITY_LENGTH, NULL, NULL, FIELD(well_data, casing_inner_diameter_m), "Inner diameter of the casing at the pump. Kept with the well's other data for whoever reviews it; no point needs it yet."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "tubing_inner_diameter", "62 mm", NULL, 0.01, 0.5, QUANTITY_LENGTH, NULL, NULL, FIELD(well_data, tubing_inner_diameter_m), "Inner diameter of the tubing. Kept as above; no point needs it yet."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "stages", "220", NULL, 1, 2000, QUANTITY_COUNT, NULL, NULL, FIELD(well_data, stages), "Stages of the pump."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "reference_frequency", "50 Hz", NULL, 1, 500, QUANTITY_FREQUENCY, NULL, NULL, FIELD(well_data, reference_frequency_hz), "Frequency to which head and rate are brought."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "liquid_rate", "240 m3/d", NULL, 0, 50000, QUANTITY_FLOW, NULL, NULL, FIELD(well_data, liquid_rate_m3_d), "Liquid rate of the last test, at stock-tank conditions. After 31 days without a new entry what is worked out with it is Uncertain."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "oil_volume_factor", "1.12", NULL, 1, 4, QUANTITY_COUNT, NULL, NULL, FIELD(well_data, oil_volume_factor), "Volume of oil at the pump for one of stock-tank oil. Without it 1 stands in, and what is worked out with the rate through the pump is Uncertain."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "gas_gravity", "0.75", NULL, 0.5, 2, QUANTITY_COUNT, NULL, NULL, FIELD(well_data, gas_gravity), "Gravity of the gas, air = 1."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "gas_oil_ratio", "120 m3/m3", NULL, 0, 5000, QUANTITY_GAS_OIL_RATIO, NULL, NULL, FIELD(well_data, gas_oil_ratio_m3_m3), "Gas produced for a volume of stock-tank oil."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "annulus_density", "850 kg/m3", NULL, 300, 2500, QUANTITY_DENSITY, NULL, NULL, FIELD(well_data, annulus_density_kg_m3), "Mean density of the liquid in the annulus above the intake: mostly oil (common practice, no source)."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "annulus_temperature", "57 degC", NULL, -20, 250, QUANTITY_TEMPERATURE, NULL, NULL, FIELD(well_data, annulus_temperature_degc), "Mean temperature of the gas column in the annulus."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "static_pressure", "22 MPa absolute", NULL, 1, 200000, QUANTITY_PRESSURE, "absolute", NULL, FIELD(well_data, static_pressure_kpa), "Static reservoir pressure at the datum, absolute; its date is that of this entry."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "bubble_point", "12 MPa absolute", NULL, 1, 200000, QUANTITY_PRESSURE, "absolute", NULL, FIELD(well_data, bubble_point_kpa), "Bubble point of the oil, absolute, as measured."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "productivity_index", "1.5 m3/(d.bar)", NULL, 0, 10000, QUANTITY_PRODUCTIVITY, NULL, NULL, FIELD(well_data, index_m3_d_bar), "Productivity index above the bubble point, from a test."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "winding_limit", "150 degC", NULL, 20, 400, QUANTITY_TEMPERATURE, NULL, NULL, FIELD(well_data, winding_limit_degc), "Limit of the motor winding, from its maker."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "insulation_reference", "40 degC", NULL, 0, 200, QUANTITY_TEMPERATURE, NULL, NULL, FIELD(well_data, insulation_reference_degc), "Temperature to which the insulation resistance is brought."},
    {SECTION_DATA, VALUE_SPECIAL, false, 0, "pump_curve", "a CSV file, or the table itself", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "The pump's curve as its maker draws it, for fresh water, at most 40 rows of ascending rate at pump conditions: `rate [m3/d]`; `stage_head [m]` of one stage, or `head [m]` of the whole pump; and, for efficiencies, `stage_power [kW]` or `power [kW]` at the shaft, or `efficiency [%]`. Straight lines join the rows; beyond them what needs the curve is Uncertain (extrapolated)."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "curve_frequency", "60 Hz", NULL, 1, 500, QUANTITY_FREQUENCY, NULL, NULL, FIELD(well_data, curve_frequency_hz), "Frequency for which `pump_curve` is drawn; affinity laws bring it to that of the drive."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "rated_power", "112 kW", NULL, 0.1, 5000, QUANTITY_POWER, NULL, NULL, FIELD(well_data, rated_power_kw), "The motor's rated power at the shaft, at `rated_frequency`. Shaft power beyond it makes motor_efficiency Uncertain (outside_validity)."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "rated_voltage", "2100 V", NULL, 1, 20000, QUANTITY_VOLTAGE, NULL, NULL, FIELD(well_data, rated_voltage_v), "The motor's rated voltage, line to line. Only `uphole check` uses it."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "rated_current", "46 A", NULL, 0.1, 2000, QUANTITY_CURRENT, NULL, NULL, FIELD(well_data, rated_current_a), "The motor's rated current. Only `uphole check` uses it."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "rated_frequency", "60 Hz", NULL, 1, 500, QUANTITY_FREQUENCY, NULL, NULL, FIELD(well_data, rated_frequency_hz), "Frequency at which the motor's rating holds; its power goes with the frequency (constant torque)."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "transformer_ratio", "4.6", NULL, 0.01, 200, QUANTITY_COUNT, NULL, NULL, FIELD(well_data, transformer_ratio), "Voltage on the motor side of the step-up transformer for one on the drive side. Brings a current or voltage of the drive side to the motor side."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "transformer_efficiency", "98 %", NULL, 0.5, 1, QUANTITY_RATIO, NULL, NULL, FIELD(well_data, transformer_efficiency), "Share of the power that passes the step-up transformer, from its test report; `100 %` where there is none."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "cable_length", "1905 m", NULL, 0, 12000, QUANTITY_LENGTH, NULL, NULL, FIELD(well_data, cable_length_m), "Length of the cable from the transformer to the motor."},
    {SECTION_DATA, VALUE_CHOICE, false, 0, "cable_size", "such as 2 AWG or 35 mm2", NULL, 0, 0, 0, NULL, CHOICES_CABLE, FIELD(well_data, cable_size), "Size of one conductor of copper, where `cable_resistance` is not stated: solid of ASTM B258, or stranded of IEC 60228, class 2."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "cable_resistance", "0.55 ohm/km", NULL, 0.001, 100, QUANTITY_RESISTANCE_PER_LENGTH, NULL, NULL, FIELD(well_data, cable_resistance_ohm_km), "Resistance of one conductor at 20 degC."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "cable_temperature", "75 degC", NULL, -40, 300, QUANTITY_TEMPERATURE, NULL, NULL, FIELD(well_data, cable_temperature_degc), "Mean temperature of the conductor along the cable."},
    {SECTION_DATA, VALUE_SPECIAL, false, 0, "inflow_tests", "a list of tests", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Stable tests of the inflow, at most 12: `{at: 2031-01-03T00:00:00Z, rate: 160 m3/d, pressure: 14 MPa absolute}`, rate at stock-tank conditions, flowing pressure at the datum. Fetkovich's curve is fitted to them."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "fetkovich_exponent", "0.85", NULL, 0.1, 2, QUANTITY_COUNT, NULL, NULL, FIELD(well_data, fetkovich_exponent), "Fetkovich's n, where it is known; else it is fitted to two tests or more."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "statistics_coverage", "75 %", NULL, 0.1, 1, QUANTITY_RATIO, NULL, NULL, FIELD(well_data, statistics_coverage_ratio), "Least share of a window that Good readings must cover, else its mean is Uncertain. Switches on what looks back over a minute, an hour, a day or a month: means, highest and lowest values, robust rates, times to a limit."},
    {SECTION_DATA, VALUE_QUANTITY, false, 0, "intake_pressure_limit", "3 MPa absolute", NULL, 1, 200000, QUANTITY_PRESSURE, "absolute", NULL, FIELD(well_data, intake_pressure_limit_kpa), "Intake pressure below which the pump should not draw the well down, absolute; for the time until it is reached at the present rate."},

    {SECTION_TEST, VALUE_INSTANT, true, 0, "at", "a time such as 2031-01-03T00:00:00Z", NULL, 0, 0, 0, NULL, NULL, FIELD(inflow_test, at_utc_ms), "When the test was made."},
    {SECTION_TEST, VALUE_QUANTITY, true, 0, "rate", "160 m3/d", NULL, 0.001, 50000, QUANTITY_FLOW, NULL, NULL, FIELD(inflow_test, rate_m3_d), "Liquid rate, at stock-tank conditions."},
    {SECTION_TEST, VALUE_QUANTITY, true, 0, "pressure", "14 MPa absolute", NULL, 1, 200000, QUANTITY_PRESSURE, "absolute", NULL, FIELD(inflow_test, pressure_kpa), "Flowing pressure at the datum, absolute."},

    {SECTION_DESTINATION, VALUE_SPECIAL, false, MQTT, "mqtt", "mqtts://host:port", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "The broker. `mqtt://` without TLS is taken only for this box itself; ports 8883 and 1883 where none is stated."},
    {SECTION_DESTINATION, VALUE_SPECIAL, false, TABLE, "modbus_tcp", "address:port", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "The address to listen on; port 1502 where none is stated."},
    {SECTION_DESTINATION, VALUE_CHOICE, false, MQTT, "mqtt_version", "5 or 3.1.1", "5", 0, 0, 0, NULL, CHOICES_MQTT_VERSION, FIELD(destination_plan, mqtt_version), "3.1.1 is weak proof: its acknowledgement covers even what the broker throws away."},
    {SECTION_DESTINATION, VALUE_LABEL, false, MQTT, "user", "a text", NULL, 0, 0, 0, NULL, NULL, FIELD(destination_plan, user), "Name at the broker; needs `password_file`."},
    {SECTION_DESTINATION, VALUE_SPECIAL, false, MQTT, "password_file", "a path, or the name of a credential", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "File that holds the password; refused where others can read it. A name without a slash is a credential that the service manager hands over (`LoadCredential=NAME:PATH` in the unit). Secrets never stand in the configuration."},
    {SECTION_DESTINATION, VALUE_PATH, false, MQTT, "ca_file", "a path", NULL, 0, 0, 0, NULL, NULL, FIELD(destination_plan, ca_file), "Certificates that may vouch for the broker; those of the system where none is stated."},
    {SECTION_DESTINATION, VALUE_PATH, false, MQTT, "certificate_file", "a path", NULL, 0, 0, 0, NULL, NULL, FIELD(destination_plan, certificate_file), "This box's own certificate; needs `key_file`."},
    {SECTION_DESTINATION, VALUE_SPECIAL, false, MQTT, "key_file", "a path, or the name of a credential", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Key of the certificate, without a pass phrase; refused where others can read it. A name without a slash is a credential, as above."},
    {SECTION_DESTINATION, VALUE_LABEL, false, MQTT, "topic_root", "a text", "uphole", 0, 0, 0, NULL, NULL, FIELD(destination_plan, topic_root), "First part of every topic: names joined by `/`, none empty. No `+`, `#` or `$`."},
    {SECTION_DESTINATION, VALUE_DURATION, false, MQTT, "latest_every", "a duration", "60 s", 1 * S, DAY, 0, NULL, NULL, FIELD(destination_plan, latest_every_ms), "How often `latest` is sent beside every change of a state."},
    {SECTION_DESTINATION, VALUE_YES_NO, false, MQTT, "uncertainty", "yes or no", "no", 0, 0, 0, NULL, NULL, FIELD(destination_plan, units.with_uncertainty), "`yes`: each row of `record` has the standard uncertainty of its values beside them, where the maps state accuracies. Well data count as exact."},
    {SECTION_DESTINATION, VALUE_CHOICE, false, MQTT, "from", "newest or oldest", "newest", 0, 0, 0, NULL, CHOICES_FROM, FIELD(destination_plan, from_oldest), "Where a new destination starts in the journal."},
    {SECTION_DESTINATION, VALUE_SPECIAL, false, MQTT, "backlog_at_most", "such as 20 records/s", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "How fast late records are sent, so that a backlog leaves the link to others; live records and `latest` are not held back. Without it as fast as the broker takes them."},
    {SECTION_DESTINATION, VALUE_SPECIAL, false, MQTT, "at_most", "such as 300 MB a month", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Bytes on the network in a calendar month (UTC), both ways, TLS and the heads of packets counted in; 1 MB to 10 TB. At the limit records wait, stored, for the next month, and `latest` goes only at a change of state. `uphole check` shows what the plan needs."},
    {SECTION_DESTINATION, VALUE_SPECIAL, false, 0, "units", "metric, us, or {KIND: unit}", "metric", 0, 0, 0, NULL, NULL, NO_FIELD, "Units that are sent. A kind that isn't listed is sent as metric. In a table: of the views that say `own`."},
    {SECTION_DESTINATION, VALUE_SPECIAL, false, TABLE, "views", "{UNIT_ID: view}", "{1: metric high-word-first}", 0, 0, 0, NULL, NULL, NO_FIELD, "The table behind each unit id, at most 16."},
    {SECTION_DESTINATION, VALUE_SPECIAL, false, TABLE, "allow", "list of addresses", "any", 0, 0, 0, NULL, NULL, NO_FIELD, "Who may connect: addresses or networks such as 192.0.2.0/28, at most 32."},
    {SECTION_DESTINATION, VALUE_WHOLE, false, TABLE, "clients", "1 to 1024", "64", 1, 1024, 0, NULL, NULL, FIELD(destination_plan, clients), "Connections at a time; one more is closed at once and counted."},
    {SECTION_DESTINATION, VALUE_WHOLE, false, TABLE, "clients_per_address", "1 to 1024", "4", 1, 1024, 0, NULL, NULL, FIELD(destination_plan, clients_per_address), "The same from one address."},
    {SECTION_DESTINATION, VALUE_DURATION, false, TABLE, "idle_timeout", "a duration", "60 s", 1 * S, DAY, 0, NULL, NULL, FIELD(destination_plan, idle_ms), "A connection that asks nothing for this long is closed."},

    {SECTION_VIEW, VALUE_SPECIAL, true, 0, "units", "metric, us or own", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "`own` are the destination's `units`."},
    {SECTION_VIEW, VALUE_CHOICE, true, 0, "words", "high-first or low-first", NULL, 0, 0, 0, NULL, CHOICES_WORDS, FIELD(view, words), "Order of the two words of a float32. Registers 2 and 3 of each block hold 123456.0, to see it at once."},
    {SECTION_VIEW, VALUE_SPECIAL, false, 0, "missing_as", "nan, last or a number", "nan", 0, 0, 0, NULL, NULL, NO_FIELD, "What stands in a point's slot where there is no value. The quality register tells the truth in each case."},

    {SECTION_JOURNAL, VALUE_PATH, false, 0, "path", "a path", "/var/lib/uphole", 0, 0, 0, NULL, NULL, FIELD(journal_plan, path), "Directory of the journal. A change needs a restart."},
    {SECTION_JOURNAL, VALUE_DURATION, false, 0, "keep", "a duration", "400 days", HOUR, 36500 * DAY, 0, NULL, NULL, FIELD(journal_plan, keep_ms), "Age from which scans are removed, once every destination has accepted them. It must be more than values are measured from; `uphole check` says where it is less."},
    {SECTION_JOURNAL, VALUE_SIZE, false, 0, "at_most", "a size", "2 GB", 16e6, 1e13, 0, NULL, NULL, FIELD(journal_plan, at_most_bytes), "Size of the journal. At 95 % of it the oldest scans are removed, accepted or not."},
    {SECTION_JOURNAL, VALUE_SPECIAL, false, 0, "retain", "list of intervals", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Intervals under review, at most 16, each with its reason."},

    {SECTION_RETAIN, VALUE_INSTANT, true, 0, "from", "a time in UTC", NULL, 0, 0, 0, NULL, NULL, FIELD(retained, from_utc_ms), "First instant that is kept."},
    {SECTION_RETAIN, VALUE_INSTANT, true, 0, "to", "a time in UTC", NULL, 0, 0, 0, NULL, NULL, FIELD(retained, to_utc_ms), "Last instant that is kept."},
    {SECTION_RETAIN, VALUE_LABEL, true, 0, "reason", "a text", NULL, 0, 0, 0, NULL, NULL, FIELD(retained, reason), "Why, in a few words; it is shown wherever the interval matters."},

    {SECTION_MAP, VALUE_NAME, true, 0, "map", "a name", NULL, 0, 0, 0, NULL, NULL, FIELD(map, name), "The map's name, the same as its file's."},
    {SECTION_MAP, VALUE_LABEL, false, 0, "about", "a text", NULL, 0, 0, 0, NULL, NULL, FIELD(map, about), "What it is for."},
    {SECTION_MAP, VALUE_SPECIAL, true, 0, "numbering", "from-0, from-1 or as-printed", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "How the surface unit's document counts registers: from 0 as on the wire, from 1, or printed as 30017, 40017. Never guessed."},
    {SECTION_MAP, VALUE_DURATION, true, 0, "refresh", "a duration", NULL, 100, DAY, 0, NULL, NULL, FIELD(map, refresh_ms), "How often new data of the gauge arrive in the registers."},
    {SECTION_MAP, VALUE_DURATION, false, 0, "first_data", "a duration", "0 s", 0, DAY, 0, NULL, NULL, FIELD(map, first_data_ms), "Longest time from power-up to the first data; until then zeros and markers are neither values nor `not fitted`."},
    {SECTION_MAP, VALUE_WHOLE, false, 0, "largest_read", "60 registers", "125 registers", 1, 125, 0, "registers", NULL, FIELD(map, largest_read), "The most registers that one request may ask of the unit."},
    {SECTION_MAP, VALUE_SPECIAL, false, 0, "readable", "[{input: 0 to 63}]", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Registers that may be read as padding although no channel is in them, at most 16 ranges."},
    {SECTION_MAP, VALUE_SPECIAL, false, 0, "never", "[{holding: 100 to 120}]", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Registers that must not be touched, at most 16 ranges."},
    {SECTION_MAP, VALUE_SPECIAL, false, 0, "gauge_status", "section", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "How the unit says whether it hears its gauge."},
    {SECTION_MAP, VALUE_SPECIAL, false, 0, "refresh_counter", "section", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "A register that changes with each refresh; ages then count from its last change."},
    {SECTION_MAP, VALUE_CHOICE, false, 0, "relayed_by", "gauge, drive or wellhead", NULL, 0, 0, 0, NULL, CHOICES_SOURCE, FIELD(map, relayed_by), "The values come through another device, which holds a copy of them."},
    {SECTION_MAP, VALUE_DURATION, false, 0, "relay_delay", "a duration", "0 s", 0, DAY, 0, NULL, NULL, FIELD(map, relay_delay_ms), "How old that copy may be; it is added to every age."},
    {SECTION_MAP, VALUE_YES_NO, false, 0, "holds_last", "yes or no", "no", 0, 0, 0, NULL, NULL, FIELD(map, holds_last), "`yes` where the relaying device goes on showing the last value after the gauge was lost."},
    {SECTION_MAP, VALUE_SPECIAL, false, 0, "unit_register", "section", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "The register that tells the units set on the unit; it is read and journaled with each scan, and decoded by where its meanings stand."},
    {SECTION_MAP, VALUE_SPECIAL, true, 0, "channels", "sections by point", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "What is read, at most 100."},

    {SECTION_STATUS, VALUE_SPECIAL, false, 0, "input", "register", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Input register of the status word."},
    {SECTION_STATUS, VALUE_SPECIAL, false, 0, "holding", "register", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Holding register of the status word."},
    {SECTION_STATUS, VALUE_SPECIAL, false, 0, "bits", "{0: live, 1: starting}", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Meaning of single bits, 0 the lowest: live, starting, silent or fault."},
    {SECTION_STATUS, VALUE_SPECIAL, false, 0, "values", "{1: live, 3: silent}", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Meaning of whole values of the word, at most 16."},

    {SECTION_REGISTER, VALUE_SPECIAL, false, 0, "input", "register", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Input register."},
    {SECTION_REGISTER, VALUE_SPECIAL, false, 0, "holding", "register", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Holding register."},
    {SECTION_REGISTER, VALUE_SPECIAL, false, 0, "type", "u16 or u32", "u16", 0, 0, 0, NULL, NULL, NO_FIELD, "Of the refresh counter: one register or two."},
    {SECTION_REGISTER, VALUE_SPECIAL, false, 0, "words", "high-first or low-first", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Of a u32 counter: order of its registers."},

    {SECTION_UNIT_REGISTER, VALUE_SPECIAL, false, 0, "input", "register", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Input register."},
    {SECTION_UNIT_REGISTER, VALUE_SPECIAL, false, 0, "holding", "register", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Holding register."},
    {SECTION_UNIT_REGISTER, VALUE_SPECIAL, false, 0, "pressure", "{0: MPa, 1: psi}", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Which number means which unit for pressures, at most 8; with `bits: 0 to 3` only of these, with `input` or `holding` in a register of its own."},
    {SECTION_UNIT_REGISTER, VALUE_SPECIAL, false, 0, "temperature", "{0: degC, 1: degF}", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "The same for temperatures."},
    {SECTION_UNIT_REGISTER, VALUE_SPECIAL, false, 0, "except", "list of points", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Channels that the setting does not touch, as inputs of other instruments."},

    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "input", "register", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "First input register (function 04), numbered as `numbering` says."},
    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "holding", "register", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "First holding register (function 03)."},
    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "coil", "coil", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Coil (function 01); `type` is bits."},
    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "discrete", "input", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Discrete input (function 02); `type` is bits."},
    {SECTION_CHANNEL, VALUE_CHOICE, false, 0, "type", "u16, s16, u32, ...", NULL, 0, 0, 0, NULL, CHOICES_TYPE, FIELD(channel, type), "u16 s16 u32 s32 u64 s64 f32 f64; bcd16 bcd32 (packed decimal); m10k32 (two registers of 0 to 9999, the high one counts ten thousands); bits; text."},
    {SECTION_CHANNEL, VALUE_CHOICE, false, 0, "words", "high-first or low-first", NULL, 0, 0, 0, NULL, CHOICES_WORDS, FIELD(channel, words), "Which register holds the high word. Needed for every type of more than one register, never guessed."},
    {SECTION_CHANNEL, VALUE_CHOICE, false, 0, "bytes", "high-first or low-first", "high-first", 0, 0, 0, NULL, CHOICES_BYTES, FIELD(channel, bytes), "Order of the two bytes in a register; the protocol says high first, some units differ."},
    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "scale", "a number", "1", 0, 0, 0, NULL, NULL, NO_FIELD, "value = raw x scale + offset, in `unit`."},
    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "offset", "a number", "0", 0, 0, 0, NULL, NULL, NO_FIELD, "See `scale`."},
    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "unit", "a unit", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Unit in which the surface unit serves it. Needed for every point that has a dimension, never guessed."},
    {SECTION_CHANNEL, VALUE_CHOICE, false, 0, "reference", "absolute, gauge or unknown", NULL, 0, 0, 0, NULL, CHOICES_REFERENCE, FIELD(channel, reference), "Needed for every pressure: what it counts from. Nothing adds or removes an atmosphere by itself."},
    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "instrument_range", "0 to 60 MPa", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "What the instrument can show; beyond it a value is `impossible`. Without it only numbers that aren't finite are."},
    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "expected_range", "2 to 40 MPa", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "What the sensor can measure in this well, not what the well usually does: beyond it a value is `unusual`."},
    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "max_rate", "0.3 MPa/min", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "A faster change waits for a second refresh to confirm it."},
    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "accuracy", "2 K", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "As the gauge's maker states it; of temperatures a difference."},
    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "resolution", "0.1 K", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Smallest step of the gauge, where it is coarser than one count of the registers; of temperatures a difference."},
    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "not_fitted", "[0xFFFF]", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Raw contents that mean `sensor not fitted`, at most 8, compared before any scaling. Write all digits: 0xFFFFFFFF for two registers."},
    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "not_fitted_if", "a point", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Another channel whose marker must stand in the same scan before this one's is believed."},
    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "faults", "[0xFFFE]", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Raw contents by which the unit reports a fault of this channel."},
    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "limits", "[0, 4095]", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Raw contents at the ends of the scale: the true value lies beyond."},
    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "bits", "4 to 6", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Of type bits: the field to take, 0 the lowest bit. Without it the whole register."},
    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "values", "{0: stopped, 1: running}", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Of states and counts: raw number to its meaning, or to the number to publish, at most 32."},
    {SECTION_CHANNEL, VALUE_SPECIAL, false, 0, "length", "8 registers", NULL, 0, 0, 0, NULL, NULL, NO_FIELD, "Of type text: registers it takes."},
    {SECTION_CHANNEL, VALUE_LABEL, false, 0, "about", "a text", NULL, 0, 0, 0, NULL, NULL, FIELD(channel, about), "What the document says: rms or peak; of a current or power `motor side` or `drive side` of the step-up transformer."},
};
/* clang-format on */

const struct key *key_at(int i)
{
    return i >= 0 && (size_t)i < sizeof KEYS / sizeof KEYS[0] ? &KEYS[i] : NULL;
}

const struct section_row *section_get(enum section section)
{
    return &SECTIONS[section];
}
