/* Programs: checked and read in the buffer they were loaded into. Portable: the same code is tested on the host. */
#ifndef PROGRAM_H
#define PROGRAM_H

#include <stdbool.h>
#include <stdint.h>

enum {
	MAX_OUTPUTS = 8, MAX_TABLE = 32, MAX_CUES = 8, MAX_PROGRAM = 428, HEAD = 28, POINT = 8, CUE_SIZE = 9, NO_INPUT = 255,
	NONE = 255
};

#define MAX_DELAY (1L << 29)
#define MAX_WIDTH (1UL << 30)

/* before says whether tick a is earlier than b: valid while they are less than half a wrap apart. */
static inline bool before(uint32_t a, uint32_t b)
{
	return (int32_t)(a - b) < 0;
}

/* This board's limits for a program. */
struct limits {
	uint8_t inputs, outputs;
	uint8_t kill;           /* inputs that are kill inputs, one bit each */
	uint32_t lead;          /* ticks */
	const uint32_t *max_on; /* of each output, ticks */
};

/* What is wrong with a program: a reason of the protocol and its detail. */
struct problem {
	uint8_t reason;
	uint32_t detail;
};

/* A decoded program. Cues 0 to 7 are cues, 8 to 15 opening cues. */
struct program {
	uint8_t clock, gate, nth, points, cues, opening;
	bool clock_high, gate_high;
	uint32_t gate_min, gate_max; /* without a gate, the window of the n-th edge from base */
	uint32_t hold_off, late, rest;
	const uint8_t *table, *cue;
	int32_t earliest;           /* offset of the first cue */
	uint8_t next[2 * MAX_CUES];      /* of the same list on the same output, or NONE */
	uint8_t first[2][MAX_OUTPUTS];   /* of each output, of the cues and of the opening cues, or NONE */
};

/* program_check checks what was loaded. */
struct problem program_check(const uint8_t *loaded, uint16_t length, const struct limits *l);

/* program_read decodes a checked program. loaded must stay unchanged while p is used. */
void program_read(struct program *p, const uint8_t *loaded);

/* cue_spec is a cue as it was loaded: the output, and at CUE_OFFSET and CUE_WIDTH its times. */
enum { CUE_OFFSET = 1, CUE_WIDTH = 5 };
static inline const uint8_t *cue_spec(const struct program *p, uint8_t cue)
{
	if (cue >= MAX_CUES)
		cue = (uint8_t)(cue - MAX_CUES + p->cues);
	return p->cue + (uint8_t)(CUE_SIZE * cue);
}

/* delay_for is the table's delay for an accepted interval. Some 1800 cycles: not for interrupts. */
uint32_t delay_for(const struct program *p, uint32_t interval);

/* first_delay is the delay of the first point. */
uint32_t first_delay(const struct program *p);

#endif
