/* Inputs: edges are stamped and passed to the board in the order of their stamps. */
#ifndef INPUTS_H
#define INPUTS_H

#include <stdint.h>

/* Ticks within which a second edge of an input may be lost: three samples of the converter. */
enum { MASK_TICKS = 3 * 104 };

/* inputs_start sets up the pins and reads their levels; interrupts begin when they are enabled globally. */
void inputs_start(void);

/* The microphone: distances from its mean, 0 to 1023 counts of the converter. */
void microphone_threshold(uint16_t threshold);

/* microphone_peak returns and resets the peak. */
uint16_t microphone_peak(void);

/* Milliseconds, nearly: counted by the sampler's interrupt. When they stop, the main loop knows that interrupts do
 * not run. */
extern volatile uint8_t ticks;

#endif
