/* What is said to the host and what it asks: all of this runs in the main loop, with interrupts on. */
#ifndef HOST_H
#define HOST_H

#include <stdbool.h>
#include <stdint.h>

/* report tells what happened since it was last called, in the order the protocol wants, and ends shots and openings
 * whose pulses are over. */
void report(void);

/* report_tick does what a number of ticks of the sampler brings: rest, quiet link, windows, level. */
void report_tick(uint8_t ticks);

/* report_start says what the board is and how it is. */
void report_start(uint8_t reset, uint32_t boot);

/* report_state says that the board is now in a state, and remembers it. */
void report_state(uint8_t mode, uint8_t reason);

/* report_state_again says what was last said, with the present levels and counts. */
void report_state_again(void);

/* report_ready says that the board is armed, and whether it waits for Go. */
void report_ready(void);

/* report_stopped tells of the pulses and the shot that a disarm cut short. */
void report_stopped(void);

/* report_testing says that the pulse under way is a test of an output. */
void report_testing(uint8_t output);

/* report_identity and its like say what the board is. */
void report_identity(void);
void report_input(uint8_t index);
void report_output(uint8_t index);

/* The link was heard from at this tick. */
void report_heard(uint32_t t);

/* request answers one frame of what came, and goes on with an introduction; true when there may be more to do. */
bool request(void);

#endif
