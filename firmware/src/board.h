/* The board's state as far as interrupts change it: edges are handled and shots accepted here, within the interrupt,
 * and every way to safe ends here. The main loop reports to the host and does what is not urgent.
 *
 * Functions are called with interrupts off unless stated otherwise. */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <stdint.h>

#include "pins.h"
#include "program.h"
#include "wire.h"

/* An optional time. */
struct stamp {
	uint32_t at;
	bool set;
};

/* What an input did since its last report: counts saturate, the rest is of the last edge. */
struct input_report {
	uint16_t edges;
	bool high;
	uint32_t at;
	uint16_t rejected;
	uint8_t reason;
	uint32_t rejected_at, interval;
	uint32_t lost, lost_at;
};

struct shot {
	uint16_t number;
	uint8_t cues; /* reported */
	uint16_t bounced;
	uint32_t gate, clock, delay;
};

/* What the main loop has to report or finish. */
enum {
	EVENT_ARMED = 1,  /* the rest is over */
	EVENT_FIRING = 2, /* a shot was accepted */
	EVENT_LOOKUP = 4, /* a gated shot waits for its delay */
	EVENT_LATE = 8,   /* a start was missed: the outputs are off */
	EVENT_FAULT = 16  /* the outputs are off */
};

struct board {
	uint8_t mode;
	uint8_t events;       /* EVENT_... of which the main loop does not know yet */
	uint8_t next_mode;    /* after the rest */
	uint8_t levels;
	uint8_t reporting;    /* inputs with something to report */
	bool ready;           /* program may be armed */
	bool must_go;         /* the program needs Go before each shot */
	bool opened;          /* Go was given, its opening cues and its window are not over */
	bool accepted;        /* and not yet reported */
	uint8_t count;
	uint8_t early_reason; /* why edges stamped before not_before are rejected */
	uint16_t left, bounced, lost;
	struct stamp gate, not_before, hold[INPUTS];
	uint32_t rest_end;
	uint32_t base;              /* time 0 of the opening cues and the window */
	uint32_t interval;          /* of the shot that waits for its delay */
	uint32_t planned, lateness; /* of a start that was missed */
	uint8_t fault;              /* the reason */
	uint32_t fault_detail, fault_at;
	struct shot shot;
	struct input_report reports[INPUTS];
	struct program program;
};

extern struct board board;

/* Set by interrupts when the main loop has something to do. */
extern volatile uint8_t work_pending;

static inline void board_wake(void)
{
	work_pending = 1;
}

/* board_edge handles one edge of an input. */
void board_edge(uint8_t input, bool high, uint32_t at);

/* board_lost counts n edges of an input that were missed: within MASK_TICKS of one that was not, if bounced. */
void board_lost(uint8_t input, uint8_t n, bool bounced);

/* board_accept begins a shot at t, now. */
void board_accept(uint32_t t, uint32_t gate, uint32_t clock, uint32_t delay);

/* board_look_up_delay reads the table for a pending gated shot and begins the shot. The main loop calls it, with
 * interrupts on, between any two other steps. */
void board_look_up_delay(void);

/* board_late aborts what is in progress, because the start planned for then was missed. */
void board_late(uint32_t planned);

/* board_fault makes the board safe and records the first reason. */
void board_fault(uint8_t reason, uint32_t detail, uint32_t at);

/* board_disarm makes the board safe when nothing is left to report: mode SAFE or FAULTED. */
void board_disarm(uint8_t mode);

/* board_end_rest ends the rest when its time is over, and with it a shot that was reported. */
void board_end_rest(uint32_t t);

/* board_expire_stamps drops stamps before a wrap would make them look new. */
void board_expire_stamps(uint32_t t);

/* board_armed says whether edges are acted on. */
static inline bool board_armed(void)
{
	return board.mode == ARMED || board.mode == FIRING || board.mode == RESTING;
}

static inline bool board_killed(void)
{
	return board.levels >> IN_KILL & 1;
}

#endif
