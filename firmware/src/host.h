/* Reports to the host and its requests: all of this runs in the main loop, with interrupts on. */
#ifndef HOST_H
#define HOST_H

#include <stdbool.h>
#include <stdint.h>

/* report sends what happened since it was last called, in the protocol's order, and ends shots and openings whose
 * pulses are over. */
void report(void);

/* report_tick advances what runs on the sampler's ticks: rest, link timeout, report windows, level. */
void report_tick(uint8_t ticks);

/* report_start sends the board's identity and state. */
void report_start(uint8_t reset, uint32_t boot);

/* report_state sends a new state and remembers it. */
void report_state(uint8_t mode, uint8_t reason);

/* report_state_again sends the last state with the current levels and counts. */
void report_state_again(void);

/* report_ready reports the board armed, and whether it waits for Go. */
void report_ready(void);

/* report_stopped reports the pulses and the shot that a disarm cut short. */
void report_stopped(void);

/* report_testing notes that the current pulse is a test of an output. */
void report_testing(uint8_t output);

/* report_identity, report_input and report_output describe the board. */
void report_identity(void);
void report_input(uint8_t index);
void report_output(uint8_t index);

/* report_heard records that the link was alive at t. */
void report_heard(uint32_t t);

/* request handles one received frame, and continues an introduction; true when there may be more to do. */
bool request(void);

#endif
