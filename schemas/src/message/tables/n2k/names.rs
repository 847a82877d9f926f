//! Names of codes and bits, spelled as in the CANboat PGN database 6.2.0.

use super::super::rows::Names;

pub(super) const ACCEPTABILITY: Names = &[(0, "Bad level"), (1, "Bad frequency"), (2, "Being qualified"), (3, "Good")];
pub(super) const BATTERY_CHEMISTRY: Names = &[(0, "Pb (Lead)"), (1, "Li"), (2, "NiCd"), (3, "ZnO"), (4, "NiMH")];
pub(super) const BATTERY_TYPE: Names = &[(0, "Flooded"), (1, "Gel"), (2, "AGM")];
pub(super) const BATTERY_VOLTAGE: Names =
    &[(0, "6V"), (1, "12V"), (2, "24V"), (3, "32V"), (4, "36V"), (5, "42V"), (6, "48V")];
pub(super) const CHARGER_MODE: Names = &[(0, "Standalone"), (1, "Primary"), (2, "Secondary"), (3, "Echo")];
pub(super) const CHARGER_STATE: Names = &[
    (0, "Not charging"),
    (1, "Bulk"),
    (2, "Absorption"),
    (3, "Overcharge"),
    (4, "Equalise"),
    (5, "Float"),
    (6, "No float"),
    (7, "Constant VI"),
    (8, "Disabled"),
    (9, "Fault"),
];
pub(super) const CHARGING_ALGORITHM: Names =
    &[(0, "Trickle"), (1, "Constant voltage / Constant current"), (2, "2 stage (no float)"), (3, "3 stage")];
pub(super) const CONTROLLER_STATE: Names = &[(0, "Error Active"), (1, "Error Passive"), (2, "Bus Off")];
pub(super) const CONVERTER_STATE: Names = &[
    (0, "Off"),
    (1, "Low Power Mode"),
    (2, "Fault"),
    (3, "Bulk"),
    (4, "Absorption"),
    (5, "Float"),
    (6, "Storage"),
    (7, "Equalize"),
    (8, "Pass thru"),
    (9, "Inverting"),
    (10, "Assisting"),
];
pub(super) const DC_SOURCE: Names =
    &[(0, "Battery"), (1, "Alternator"), (2, "Convertor"), (3, "Solar cell"), (4, "Wind generator")];
pub(super) const DEVICE_TEMP_STATE: Names = &[(0, "Cold"), (1, "Warm"), (2, "Hot")];
// Code 2 is called "Error" there; without a name it reads as "out of range".
pub(super) const DIRECTION_REFERENCE: Names = &[(0, "True"), (1, "Magnetic")];
pub(super) const EQUIPMENT_STATUS: Names = &[(0, "Operational"), (1, "Fault")];
pub(super) const GEAR_STATUS: Names = &[(0, "Forward"), (1, "Neutral"), (2, "Reverse")];
pub(super) const GNS: Names = &[
    (0, "GPS"),
    (1, "GLONASS"),
    (2, "GPS+GLONASS"),
    (3, "GPS+SBAS/WAAS"),
    (4, "GPS+SBAS/WAAS+GLONASS"),
    (5, "Chayka"),
    (6, "integrated"),
    (7, "surveyed"),
    (8, "Galileo"),
];
pub(super) const GNS_INTEGRITY: Names = &[(0, "No integrity checking"), (1, "Safe"), (2, "Caution"), (3, "Unsafe")];
pub(super) const GNS_METHOD: Names = &[
    (0, "no GNSS"),
    (1, "GNSS fix"),
    (2, "DGNSS fix"),
    (3, "Precise GNSS"),
    (4, "RTK Fixed Integer"),
    (5, "RTK float"),
    (6, "Estimated (DR) mode"),
    (7, "Manual Input"),
    (8, "Simulate mode"),
];
pub(super) const GOOD_WARNING_ERROR: Names = &[(0, "Good"), (1, "Warning"), (2, "Error")];
pub(super) const HUMIDITY_SOURCE: Names = &[(0, "Inside"), (1, "Outside")];
pub(super) const INVERTER_MODE: Names =
    &[(0, "Standalone"), (1, "Series Master"), (2, "Series Slave"), (3, "Parallel Master"), (4, "Parallel Slave")];
pub(super) const INVERTER_STATE: Names =
    &[(0, "Invert"), (1, "AC passthru"), (2, "Load sense"), (3, "Fault"), (4, "Disabled")];
pub(super) const OFF_ON: Names = &[(0, "Off"), (1, "On")];
pub(super) const SYSTEM_TIME: Names = &[
    (0, "GPS"),
    (1, "GLONASS"),
    (2, "Radio Station"),
    (3, "Local Cesium clock"),
    (4, "Local Rubidium clock"),
    (5, "Local Crystal clock"),
];
pub(super) const TEMPERATURE_SOURCE: Names = &[
    (0, "Sea Temperature"),
    (1, "Outside Temperature"),
    (2, "Inside Temperature"),
    (3, "Engine Room Temperature"),
    (4, "Main Cabin Temperature"),
    (5, "Live Well Temperature"),
    (6, "Bait Well Temperature"),
    (7, "Refrigeration Temperature"),
    (8, "Heating System Temperature"),
    (9, "Dew Point Temperature"),
    (10, "Apparent Wind Chill Temperature"),
    (11, "Theoretical Wind Chill Temperature"),
    (12, "Heat Index Temperature"),
    (13, "Freezer Temperature"),
    (14, "Exhaust Gas Temperature"),
    (15, "Shaft Seal Temperature"),
];
pub(super) const WATER_REFERENCE: Names = &[
    (0, "Paddle wheel"),
    (1, "Pitot tube"),
    (2, "Doppler"),
    (3, "Correlation (ultra sound)"),
    (4, "Electro Magnetic"),
];
pub(super) const WAVEFORM: Names = &[(0, "Sine wave"), (1, "Modified sine wave")];
pub(super) const YES_NO: Names = &[(0, "No"), (1, "Yes")];
pub(super) const ENGINE_STATUS_1: Names = &[
    (0, "Check Engine"),
    (1, "Over Temperature"),
    (2, "Low Oil Pressure"),
    (3, "Low Oil Level"),
    (4, "Low Fuel Pressure"),
    (5, "Low System Voltage"),
    (6, "Low Coolant Level"),
    (7, "Water Flow"),
    (8, "Water In Fuel"),
    (9, "Charge Indicator"),
    (10, "Preheat Indicator"),
    (11, "High Boost Pressure"),
    (12, "Rev Limit Exceeded"),
    (13, "EGR System"),
    (14, "Throttle Position Sensor"),
    (15, "Emergency Stop"),
];
pub(super) const ENGINE_STATUS_2: Names = &[
    (0, "Warning Level 1"),
    (1, "Warning Level 2"),
    (2, "Power Reduction"),
    (3, "Maintenance Needed"),
    (4, "Engine Comm Error"),
    (5, "Sub or Secondary Throttle"),
    (6, "Neutral Start Protect"),
    (7, "Engine Shutting Down"),
];
