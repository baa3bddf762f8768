/* Outputs: one channel for each, which plays the pulses planned for it one after another. Compare units move the pins at
 * their exact tick; software only tells them beforehand which match is the one.
 *
 * All functions are called with interrupts off. */
#ifndef OUTPUTS_H
#define OUTPUTS_H

#include <stdbool.h>
#include <stdint.h>

#include "pins.h"
#include "program.h"

/* Ticks from a plan to its first start that the channels need: see README.md for what was measured. */
#define LEAD US(60)
/* Ticks within which outputs are off after any reason: a disarm frame of six bytes takes 240 us to come. */
#define SAFE_WITHIN MS(2)

enum { PULSES = 2 * MAX_CUES };

/* When each pulse was on, of those that ended and were not yet told: numbered as the program's cues are. */
struct pulse {
	uint32_t on, off;
};
extern struct pulse pulses[PULSES];
extern volatile uint16_t pulses_ended; /* one bit each */

/* What was ordered on, one bit an output. */
extern volatile uint8_t outputs_on;

extern const uint32_t max_on[OUTPUTS];

/* outputs_start makes the pins outputs, off. */
void outputs_start(void);

/* outputs_off drives all off within 30 cycles, and drops all that was planned. */
void outputs_off(void);

/* outputs_plan plans the pulses of a list of a program, 0: the cues, 1: the opening cues. Each starts at base + its
 * offset. */
void outputs_plan(const struct program *p, uint8_t list, uint32_t base);

/* outputs_test drives one output on at once, for width ticks; pulse 0 tells of it. */
void outputs_test(uint8_t output, uint32_t width);

/* Set while any pulse may be under way or planned: outputs need looking after. */
extern volatile uint8_t outputs_awake;

/* outputs_busy says whether any pulse is under way or planned. */
bool outputs_busy(void);

/* outputs_watch looks after an output each millisecond: brings its next edge near when it was far, and guards the longest
 * on-time. */
void outputs_watch(uint8_t output);

#endif
