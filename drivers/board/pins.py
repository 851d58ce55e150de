"""Where things are wired on a Pico-class board (docs/board.md), and the rates that go with them."""

WIRE = "usb"  # or "uart": RS-485 with two pairs, so that both sides may talk at once
UART, UART_TX, UART_RX, UART_BAUD = 0, 0, 1, 460_800

TRIGGERS = (2, 3, 4, 5, 6)  # element 0 at the bar's right; 3.3 V, high fires
EARS = (7, 8, 9, 10, 11)  # comparator outputs, an edge an echo
EDGE = "rising"  # or "falling": rangers that hold the line high until the echo; one echo then

ENABLE, LEFT_HAND, RIGHT_HAND = 12, 13, 14  # switches to ground, pulled up inside
ENABLE_HERE = True  # an open enable input shuts the valves on the board itself

LEFT_UP, LEFT_DOWN, RIGHT_UP, RIGHT_DOWN = 16, 17, 18, 19  # gates of the coil drivers
OUTPUT_ENABLE = 20  # high lets the coil drivers work; pulled down outside
VALVE_HZ = 200  # of the coils' PWM

I2C, I2C_SDA, I2C_SCL, I2C_HZ = 1, 26, 27, 400_000
INERTIAL_US = 5_000  # between inertial samples
