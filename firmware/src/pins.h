/* The pin map of the ATmega328P board, in one place.
 *
 * A pin is one line "#define PIN_NAME port, bit", nothing else on it, so that the hardware's net list can be
 * checked against this file. The comment above a pin says which chip function it needs: it can move only to a pin
 * that has it. Inputs and outputs are numbered as the protocol numbers them. */
#ifndef PINS_H
#define PINS_H

/* Inputs. Gate, beam, sync and button have the pull-up on and are reported as the pin reads: low is broken or
 * pressed. */
enum { IN_GATE, IN_BEAM, IN_MICROPHONE, IN_SYNC, IN_KILL, IN_BUTTON, INPUTS };

/* INT0: an interrupt of its own on both edges; stamped by software. */
#define PIN_GATE D, 2
/* ICP1: the only pin that timer 1 stamps by itself. */
#define PIN_BEAM B, 0
/* ADC0: analog, 0 to 5 V, resting anywhere between; no pull-up. High means louder than the threshold. */
#define PIN_MICROPHONE C, 0
/* PCINT20: shares the pin change interrupt of port D with the button alone. */
#define PIN_SYNC D, 4
/* PCINT9: the only pin that raises the pin change interrupt of port C. Pull-up: high, or a broken wire, is stop. */
#define PIN_KILL C, 1
/* PCINT23. */
#define PIN_BUTTON D, 7

/* Outputs. High is on. Each is the pin of a compare unit, so that no edge is made by software; each needs a pull-down
 * of 10 kohm, since all pins float from reset until the firmware has started. */
enum { OUT_SHUTTER, OUT_FOCUS, OUT_FLASH1, OUT_FLASH2, OUT_VALVE1, OUT_VALVE2, OUTPUTS };

/* OC1B: 16 bits. */
#define PIN_SHUTTER B, 2
/* OC2B: 8 bits. */
#define PIN_FOCUS D, 3
/* OC1A: 16 bits. */
#define PIN_FLASH1 B, 1
/* OC0A: 8 bits. */
#define PIN_FLASH2 D, 6
/* OC0B: 8 bits. */
#define PIN_VALVE1 D, 5
/* OC2A: 8 bits. Also MOSI: moves while the chip is programmed in its circuit, when the heartbeat is away. */
#define PIN_VALVE2 B, 3

/* Any free pin that neither a programmer nor a boot loader moves: not B3 to B5. A square wave of 50 Hz while the
 * main loop runs, for the guard that enables the outputs. */
#define PIN_HEARTBEAT C, 2

/* The UART. */
#define PIN_RECEIVE D, 0
#define PIN_TRANSMIT D, 1

/* Longest on-times in ticks of half a microsecond: the limits of a contact, a flash's trigger and a coil. */
#define MAX_ON_SHUTTER 120000000UL /* 60 s: bulb */
#define MAX_ON_FOCUS 120000000UL
#define MAX_ON_FLASH1 200000UL /* 100 ms */
#define MAX_ON_FLASH2 200000UL
#define MAX_ON_VALVE1 1000000UL /* 500 ms */
#define MAX_ON_VALVE2 1000000UL

/* Use: BIT(PIN_BEAM), PORT_OF(PIN_BEAM), DDR_OF(PIN_BEAM), PIN_OF(PIN_BEAM). */
#define BIT(pin) BIT_(pin)
#define PORT_OF(pin) PORT_OF_(pin)
#define DDR_OF(pin) DDR_OF_(pin)
#define PIN_OF(pin) PIN_OF_(pin)
#define BIT_(port, n) (1U << (n))
#define PORT_OF_(port, n) PORT##port
#define DDR_OF_(port, n) DDR##port
#define PIN_OF_(port, n) PIN##port

#endif
