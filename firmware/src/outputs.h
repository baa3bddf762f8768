/* Outputs: one channel each, which runs its planned pulses one after another. Compare units move the pins at the
 * exact tick; software only arms the right match beforehand.
 *
 * All functions are called with interrupts off. */
#ifndef OUTPUTS_H
#define OUTPUTS_H

#include <stdbool.h>
#include <stdint.h>

#include "pins.h"
#include "program.h"

/* Ticks from planning to a start that is met, on all outputs at once; from an edge, and from an edge with a gate. See
 * README.md for measurements. */
#define LEAD US(150)
#define EDGE_LEAD US(350)
#define GATE_LEAD US(800)
/* Ticks from planning to a start that is tried: fewer outputs are planned sooner than all. */
#define SOONEST US(60)
/* Ticks within which outputs are off for any reason: a disarm frame of six bytes takes 240 us to arrive. */
#define SAFE_WITHIN MS(2)

enum { PULSES = 2 * MAX_CUES };

/* Actual times of the pulses that ended and were not yet reported: numbered like the program's cues. */
struct pulse {
	uint32_t on, off;
};
extern struct pulse pulses[PULSES];
extern volatile uint16_t pulses_ended; /* one bit each */

/* Outputs that are switched on, one bit each. */
extern volatile uint8_t outputs_on;

extern const uint32_t max_on[OUTPUTS];

/* outputs_start makes the pins outputs, off. */
void outputs_start(void);

/* outputs_off drives all off within 30 cycles, and cancels what was planned. */
void outputs_off(void);

/* outputs_plan plans the pulses of a list of a program, 0: the cues, 1: the opening cues. Each starts at base + its
 * offset. Before each it looks at the kill input, and plans no more once that has changed. */
void outputs_plan(const struct program *p, uint8_t list, uint32_t base);

/* outputs_test drives one output on at once, for width ticks; its times are those of pulse 0. */
void outputs_test(uint8_t output, uint32_t width);

/* Set while any pulse may be on or planned. */
extern volatile uint8_t outputs_awake;

/* outputs_busy says whether any pulse is on or planned. */
bool outputs_busy(void);

/* outputs_watch is called for each output each millisecond: schedules a far edge that is near now, and enforces the
 * longest on-time. */
void outputs_watch(uint8_t output);

#endif
