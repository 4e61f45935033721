/* SPDX-License-Identifier: Apache-2.0
 *
 * rows_units.h - conversions and unit codes as published, each with its tolerance and its source.
 * Inputs and expectations were recomputed with a second, separate units program; nothing here comes
 * from Uphole's own table.
 */
#ifndef UPHOLE_TESTS_ROWS_UNITS_H
#define UPHOLE_TESTS_ROWS_UNITS_H

#include <stdbool.h>
#include <stdint.h>

/* clang-format off */
static const struct conversion_row {
    const char *id, *what;
    double input;
    const char *from;
    double expected;
    const char *to;
    double tolerance;
    bool is_relative;
    const char *source;
} CONVERSION_ROWS[] = {
    {"UNI-001", "MPa → psi", 1, "MPa", 145.03773773, "psi", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-002", "psi → kPa", 1, "psi", 6.89475729317, "kPa", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-003", "bar → psi", 1, "bar", 14.503773773, "psi", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-004", "kgf/cm² → kPa", 1, "kgf/cm²", 98.0665, "kPa", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-005", "kgf/cm² → psi", 1, "kgf/cm²", 14.2233433071, "psi", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-006", "atm → psi", 1, "atm", 14.6959487755, "psi", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-007", "atm → bar", 1, "atm", 1.01325, "bar", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-008", "MPa → bar", 12.345, "MPa", 123.45, "bar", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-009", "MPa → psi", 12.345, "MPa", 1790.49087228, "psi", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-010", "psi → MPa", 3000, "psi", 20.6842718795, "MPa", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-011", "MPa → psi", 65.535, "MPa", 9505.04814215, "psi", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-012", "MPa → bar", 65.535, "MPa", 655.35, "bar", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-013", "bar → kgf/cm²", 250, "bar", 254.929053244, "kgf/cm²", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-014", "kPa → psi", 101.325, "kPa", 14.6959487755, "psi", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-018", "temperature °C → °F", 0, "°C", 32, "°F", 1e-9, false, "NIST SP 811 App. B"},
    {"UNI-019", "temperature °C → °F", 100, "°C", 212, "°F", 1e-9, false, "NIST SP 811 App. B"},
    {"UNI-020", "temperature °C → °F", -40, "°C", -40, "°F", 1e-9, false, "NIST SP 811 App. B"},
    {"UNI-021", "temperature °C → °F", 85.5, "°C", 185.9, "°F", 1e-9, false, "NIST SP 811 App. B"},
    {"UNI-022", "temperature °F → °C", 185, "°F", 85, "°C", 1e-9, false, "NIST SP 811 App. B"},
    {"UNI-023", "temperature °C → K", 150, "°C", 423.15, "K", 1e-9, false, "NIST SP 811 App. B"},
    {"UNI-024", "temperature °F → °C", 32, "°F", 0, "°C", 1e-9, false, "NIST SP 811 App. B"},
    {"UNI-025", "temperature °C → K", 0, "°C", 273.15, "K", 1e-9, false, "NIST SP 811 App. B"},
    {"UNI-026", "temperature difference °C (difference) → °F (difference)", 10, "°C (difference)", 18, "°F (difference)", 1e-9, false, "NIST SP 811 App. B"},
    {"UNI-027", "temperature difference °F (difference) → °C (difference)", 18, "°F (difference)", 10, "°C (difference)", 1e-9, false, "NIST SP 811 App. B"},
    {"UNI-028", "temperature difference K → °F", 1, "K", 1.8, "°F (difference)", 1e-9, false, "NIST SP 811 App. B"},
    {"UNI-029", "temperature difference °C (difference) → °F (difference)", 0, "°C (difference)", 0, "°F (difference)", 1e-9, false, "NIST SP 811 App. B"},
    {"UNI-030", "ft → in", 1, "ft", 12, "in", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-031", "m → ft", 2500, "m", 8202.09973753, "ft", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-032", "ft → m", 9842.52, "ft", 3000.000096, "m", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-034", "bbl/d → m³/d", 1, "bbl/d", 0.158987294928, "m³/d", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-035", "m³/d → bbl/d", 1, "m³/d", 6.28981077043, "bbl/d", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-036", "US gal/min → m³/d", 1, "US gal/min", 5.45099296896, "m³/d", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-037", "US gal/min → bbl/d", 1, "US gal/min", 34.2857142857, "bbl/d", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-038", "bbl/d → m³/d", 1200, "bbl/d", 190.784753914, "m³/d", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-039", "m³/d → US gal/min", 250, "m³/d", 45.8632035344, "US gal/min", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-040", "m³/d → bbl/d", 250, "m³/d", 1572.45269261, "bbl/d", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-041", "bbl (42 US gal) → m³", 1, "bbl (42 US gal)", 0.158987294928, "m³", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-042", "MΩ → kΩ", 0.85, "MΩ", 850, "kΩ", 1e-9, true, "BIPM SI Brochure 9"},
    {"UNI-043", "kV → V", 2.35, "kV", 2350, "V", 1e-9, true, "BIPM SI Brochure 9"},
    {"UNI-044", "mA → µA", 4.2, "mA", 4200, "µA", 1e-9, true, "BIPM SI Brochure 9"},
    {"UNI-048", "r/min → Hz (rotations per second)", 3492, "r/min", 58.2, "Hz", 1e-9, true, "ISO 80000-3"},
    {"UNI-049", "r/min → rad/s", 3492, "r/min", 365.681384878, "rad/s", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-050", "g → m/s²", 0.25, "g", 2.4516625, "m/s²", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-051", "in/s → mm/s", 0.157, "in/s", 3.9878, "mm/s", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-055", "hp (550 ft·lbf/s) → W", 1, "hp (550 ft·lbf/s)", 745.699871582, "W", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-056", "metric hp → W", 1, "metric hp", 735.49875, "W", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-057", "electric hp → W", 1, "electric hp", 746, "W", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-058", "hp (550 ft·lbf/s) → kW", 150, "hp (550 ft·lbf/s)", 111.854980737, "kW", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-059", "kW·h → MJ", 1, "kW·h", 3.6, "MJ", 1e-9, true, "BIPM SI Brochure 9"},
    {"UNI-060", "g/cm³ → kg/m³", 0.875, "g/cm³", 875, "kg/m³", 1e-9, true, "BIPM SI Brochure 9"},
    {"UNI-061", "lb/US gal → kg/m³", 1, "lb/US gal", 119.826427317, "kg/m³", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-063", "psi/ft → kPa/m", 0.433, "psi/ft", 9.79471754574, "kPa/m", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-065", "m³/(d·bar) → bbl/(d·psi)", 1, "m³/(d·bar)", 0.433667186821, "bbl/(d·psi)", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-066", "bbl/(d·psi) → m³/(d·bar)", 1, "bbl/(d·psi)", 2.30591575842, "m³/(d·bar)", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-067", "cP → mPa·s", 12, "cP", 12, "mPa·s", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-068", "cSt → mm²/s", 30, "cSt", 30, "mm²/s", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-073", "lb/ft³ → kg/m³", 62.4, "lb/ft³", 999.552114535, "kg/m³", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-074", "hp·h (550 ft·lbf/s) → kW·h", 1, "hp·h (550 ft·lbf/s)", 0.745699871582, "kW·h", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-075", "pressure rate kPa/h → psi/h", 100, "kPa/h", 14.503773773, "psi/h", 1e-9, true, "NIST SP 811 App. B"},
    {"UNI-076", "temperature rate K/h → °F/h (no 32 offset)", 6, "K/h", 10.8, "°F/h", 1e-9, true, "NIST SP 811 App. B"},
};

static const struct code_row {
    const char *id, *what, *unit, *ucum, *rec20;
    int32_t opc_ua;
    const char *source;
} CODE_ROWS[] = {
    {"COD-001", "codes for pressure", "MPa", "MPa", "MPA", 5066817, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-002", "codes for pressure", "kPa", "kPa", "KPA", 4935745, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-003", "codes for pressure", "bar", "bar", "BAR", 4342098, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-004", "codes for pressure", "psi", "[psi]", "PS", 20563, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-005", "codes for pressure", "kgf/cm²", "kgf/cm2", "E42", 4535346, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-006", "codes for pressure", "technical atmosphere", "att", "ATT", 4281428, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-007", "codes for pressure", "standard atmosphere", "atm", "ATM", 4281421, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-008", "codes for temperature", "°C", "Cel", "CEL", 4408652, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-009", "codes for temperature", "°F", "[degF]", "FAH", 4604232, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-010", "codes for temperature difference", "K", "K", "KEL", 4932940, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-011", "codes for length", "m", "m", "MTR", 5067858, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-012", "codes for length", "ft", "[ft_i]", "FOT", 4607828, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-013", "codes for flow", "m³/d", "m3/d", "G52", 4666674, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-014", "codes for flow", "bbl/d", "[bbl_us]/d", "B1", 16945, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-015", "codes for flow", "US gal/min", "[gal_us]/min", "G2", 18226, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-016", "codes for current", "A", "A", "AMP", 4279632, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-017", "codes for leakage current", "mA", "mA", "4K", 13387, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-018", "codes for voltage", "V", "V", "VLT", 5655636, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-019", "codes for voltage", "kV", "kV", "KVT", 4937300, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-020", "codes for insulation resistance", "MΩ", "MOhm", "B75", 4339509, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-021", "codes for insulation resistance", "kΩ", "kOhm", "B49", 4338745, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-022", "codes for frequency", "Hz", "Hz", "HTZ", 4740186, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-023", "codes for rotational speed", "r/min", "/min", "RPM", 5394509, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-024", "codes for acceleration", "g", "[g]", "K40", 4928560, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-025", "codes for acceleration", "m/s²", "m/s2", "MSK", 5067595, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-026", "codes for vibration velocity", "mm/s", "mm/s", "C16", 4403510, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-027", "codes for vibration velocity", "in/s", "[in_i]/s", "IU", 18773, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-028", "codes for power", "kW", "kW", "KWT", 4937556, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-029", "codes for power", "hp (550 ft·lbf/s)", "[HP]", "BHP", 4343888, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-030", "codes for apparent power", "kV·A", "kV.A", "KVA", 4937281, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-031", "codes for energy", "kW·h", "kW.h", "KWH", 4937544, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-032", "codes for density", "kg/m³", "kg/m3", "KMQ", 4934993, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-033", "codes for density", "g/cm³", "g/cm3", "23", 12851, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-034", "codes for gradient", "kPa/m", "kPa/m", "P81", 5257265, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-035", "codes for productivity index", "m³/(d·bar)", "m3/(d.bar)", "G86", 4667446, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-036", "codes for viscosity", "mPa·s", "mPa.s", "C24", 4403764, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-037", "codes for viscosity", "cP", "cP", "C7", 17207, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-038", "codes for kinematic viscosity", "mm²/s", "mm2/s", "C17", 4403511, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-039", "codes for angle", "deg", "deg", "DD", 17476, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-040", "codes for time", "s", "s", "SEC", 5457219, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-041", "codes for time", "h", "h", "HUR", 4740434, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-049", "codes for temperature rate", "K/h", "K/h", "F10", 4600112, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-050", "codes for small current", "µA", "uA", "B84", 4339764, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-051", "codes for power", "W", "W", "WTT", 5723220, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-052", "codes for time", "ms", "ms", "C26", 4403766, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-053", "codes for time", "min", "min", "MIN", 5065038, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-054", "codes for time", "d", "d", "DAY", 4473177, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-055", "codes for density", "lb/US gal", "[lb_av]/[gal_us]", "GE", 18245, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-056", "codes for flow", "m³/h", "m3/h", "MQH", 5067080, "UCUM; UN/ECE Rec 20; OPC 10000-8 UnitId packing"},
    {"COD-057", "codes for ratio", "%", "%", "P1", 20529, "UCUM; UN/ECE Rec 20"},
};
/* clang-format on */

#endif
