/* Inputs: edges are stamped, and handed to the board in the order of their stamps. */
#ifndef INPUTS_H
#define INPUTS_H

#include <stdint.h>

/* Ticks within which a second edge of an input may be lost: three samples of the converter. */
enum { SHUT_TICKS = 3 * 104 };

/* inputs_start readies the pins and reads their levels; the interrupts come when they are let. */
void inputs_start(void);

/* The microphone: distances from its mean, 0 to 1023 counts of the converter. */
void microphone_threshold(uint16_t threshold);

/* microphone_peak is the loudest since it was last asked. */
uint16_t microphone_peak(void);

/* Milliseconds, nearly: counted by the sampler that also looks after outputs and inputs. When they stand still the main
 * loop knows that interrupts do not come. */
extern volatile uint8_t ticks;

#endif
