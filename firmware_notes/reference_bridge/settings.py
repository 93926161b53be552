"""What differs from bridge to bridge. Pin numbers are those of your board."""

IDENTITY = "bridge-01"  # your own name for it: letters, digits, - and _
FIRMWARE = "1"

CLOCK_PIN = 2
DATA_PIN = 3
KEY_PIN = 4  # to ground, pulled up
I2C_SCL_PIN = 5
I2C_SDA_PIN = 6
I2C_HZ = 100_000  # SMBus allows no more

INVERTED = False  # True behind transistors, False behind a comparator
RAW_FRAMES = True  # False once the port was checked; then set SIGN_BIT to what the check found
SIGN_BIT = 20
LEADING_ONE = False  # True for a port that sends a 1 before its 24 bits: 25 edges in a frame

WATCHDOG_MS = 5_000
