"""Facts of the INA219, copied from its data sheet.

Source: Texas Instruments, SBOS448, revisions F and G, "INA219 Zero-Drift, Bidirectional
Current/Power Monitor With I2C Interface": electrical characteristics, register maps (8.6.2,
8.6.3), table of ADC settings, worked example of the calibration (8.5.2).
"""

RESET_CONFIGURATION = 0x399F  # 32 V, PGA /8, 12 bit, 12 bit, both continuous
SHUNT_STEP_V = 10e-6
BUS_STEP_V = 4e-3

# ADC code (BADC bits 10:7, SADC bits 6:3) -> typical conversion time (s).
CONVERSION_S = {
    0b0000: 84e-6,
    0b0001: 148e-6,
    0b0010: 276e-6,
    0b0011: 532e-6,
    0b1000: 532e-6,
    0b1001: 1.06e-3,
    0b1010: 2.13e-3,
    0b1011: 4.26e-3,
    0b1100: 8.51e-3,
    0b1101: 17.02e-3,
    0b1110: 34.05e-3,
    0b1111: 68.10e-3,
}
# The same with bit 2 of a single-sample code set: "0X00" and so on.
DONT_CARE = {0b0100: 0b0000, 0b0101: 0b0001, 0b0110: 0b0010, 0b0111: 0b0011}
# Longest conversion times (s) of 9, 10, 11 and 12 bits.
LONGEST_S = {9: 93e-6, 10: 163e-6, 11: 304e-6, 12: 586e-6}

# PGA setting (bits 12:11) -> full scale of the shunt register, code and V.
SHUNT_FULL_SCALE = {0: (0x0FA0, 0.04), 1: (0x1F40, 0.08), 2: (0x3E80, 0.16), 3: (0x7D00, 0.32)}
MINUS_320_MV = 0x8300
# Bus range (bit 13) -> full-scale code.
BUS_FULL_SCALE = {0: 0x0FA0, 1: 0x1F40}

MODES = {
    "power_down": 0,
    "shunt_triggered": 1,
    "bus_triggered": 2,
    "both_triggered": 3,
    "adc_off": 4,
    "shunt_continuous": 5,
    "bus_continuous": 6,
    "both_continuous": 7,
}

# The worked example: 10 A, 12 V common mode (11.98 V at the load), 2 mohm, 40 mV, 16 V range.
EXAMPLE_SHUNT_OHM = 0.002
EXAMPLE_CURRENT_A = 10.0
EXAMPLE_LOAD_V = 11.98
EXAMPLE_CONFIGURATION = 0x019F
EXAMPLE_CALIBRATION = 0x5000
EXAMPLE_SHUNT = 0x07D0  # 20 mV
EXAMPLE_BUS = 0x5D98  # 11.98 V in bits 15:3; CNVR and OVF clear
EXAMPLE_CURRENT = 0x2710  # 10 000 x 1 mA
EXAMPLE_POWER = 0x1766  # 5 990 x 20 mW

# Writing 0xFFFF to the calibration register reads back so: bit 0 is void.
CALIBRATION_ALL_ONES = 0xFFFE
