/* The board's state as far as interrupts change it: edges are judged and shots accepted here, at the edge, and whatever
 * makes the board safe ends here. The main loop tells the host of it and does what may wait.
 *
 * Unless said otherwise functions are called with interrupts off. */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <stdint.h>

#include "pins.h"
#include "program.h"
#include "wire.h"

/* A time that may not be there. */
struct stamp {
	uint32_t at;
	bool set;
};

/* What an input has to say since it last could: counts stop at their largest value, the rest is of the last. */
struct seen {
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
	uint8_t cues; /* told */
	uint16_t bounced;
	uint32_t gate, clock, delay;
};

/* What the main loop has to tell or finish. */
enum {
	TELL_ARMED = 1,   /* the rest is over */
	TELL_FIRING = 2,  /* a shot was accepted */
	TELL_LOOKUP = 4,  /* a gated shot waits for its delay */
	TELL_LATE = 8,    /* a start was missed: the outputs are off */
	TELL_FAULT = 16   /* the outputs are off */
};

struct board {
	uint8_t mode;
	uint8_t tell;
	uint8_t rested; /* the mode after the rest */
	uint8_t levels;
	uint8_t spoke;  /* inputs with something new to say */
	bool ready;     /* program may be armed */
	bool must_go;   /* the program needs Go before each shot */
	bool opened;    /* Go was given, its opening cues are not over */
	bool accepted;  /* a shot was, and is not told */
	uint8_t count;
	uint8_t before; /* why edges stamped before not_before are rejected */
	uint16_t left, bounced, lost;
	struct stamp gate, not_before, hold[INPUTS];
	uint32_t rest_end;
	uint32_t base;                  /* what the opening cues count from */
	uint32_t interval;              /* of the shot that waits for its delay */
	uint32_t planned, behind;       /* of a start that was missed */
	uint8_t fault;                  /* the reason */
	uint32_t fault_detail, fault_at;
	struct shot shot;
	struct seen seen[INPUTS];
	struct program program;
};

extern struct board board;

/* Set by interrupts when the main loop has something to do. */
extern volatile uint8_t news;

static inline void board_news(void)
{
	news = 1;
}

/* board_edge takes one change of an input. */
void board_edge(uint8_t input, bool high, uint32_t at);

/* board_lost takes word of n edges of an input that were not seen: within SHUT_TICKS of one that was, if bounced. */
void board_lost(uint8_t input, uint8_t n, bool bounced);

/* board_accept begins a shot; t is the present. */
void board_accept(uint32_t t, uint32_t gate, uint32_t clock, uint32_t delay);

/* board_look_up reads the table for a gated shot that waits for it, and begins it. The main loop calls it, with interrupts
 * on, between any two things it does. */
void board_look_up(void);

/* board_late gives up what is under way, because a start planned for then was missed. */
void board_late(uint32_t planned);

/* board_fault makes the board safe and keeps the reason, if it is the first. */
void board_fault(uint8_t reason, uint32_t detail, uint32_t at);

/* board_disarm makes the board safe when nothing is left to tell: mode SAFE or FAULTED. */
void board_disarm(uint8_t mode);

/* board_rested ends the rest if it is over, and with it a shot that was told. */
void board_rested(uint32_t t);

/* board_expire_stamps drops stamps before a wrap would make them look new. */
void board_expire_stamps(uint32_t t);

/* board_armed says whether edges mean anything. */
static inline bool board_armed(void)
{
	return board.mode == ARMED || board.mode == FIRING || board.mode == RESTING;
}

static inline bool board_killed(void)
{
	return board.levels >> IN_KILL & 1;
}

#endif
