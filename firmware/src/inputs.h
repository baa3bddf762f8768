/* Inputs: edges are stamped and passed to the board in the order of their stamps. */
#ifndef INPUTS_H
#define INPUTS_H

#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>

/* Ticks within which a second edge of an input may be lost: three samples of the converter. */
enum { MASK_TICKS = 3 * 104 };

/* inputs_start sets up the pins and reads their levels; interrupts begin when they are enabled globally. */
void inputs_start(void);

/* kill_waits says whether the kill input has changed and its interrupt waits for the one under way to end. What takes long
 * looks in between and switches the outputs off; the interrupt does the rest. */
static inline bool kill_waits(void)
{
	return PCIFR & _BV(PCIF1) && PCICR & _BV(PCIE1);
}

/* The microphone: distances from its mean, 0 to 1023 counts of the converter. */
void microphone_threshold(uint16_t threshold);

/* microphone_peak returns and resets the peak. */
uint16_t microphone_peak(void);

/* Milliseconds, nearly: counted by the sampler's interrupt. When they stop, the main loop knows that interrupts do
 * not run. */
extern volatile uint8_t ticks;

#endif
