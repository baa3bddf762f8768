#include "program.h"

#include "wire.h"

enum {
	AT_CLOCK = 1, AT_FLAGS = 2, AT_NTH = 3, AT_GATE = 4, AT_POINTS = 5, AT_CUES = 6, AT_OPENING = 7,
	AT_GATE_MIN = 8, AT_GATE_MAX = 12, AT_HOLD_OFF = 16, AT_LATE = 20, AT_REST = 24
};
enum { FORMAT = 1, CLOCK_FALLING = 1, GATE_FALLING = 2 };

static const struct problem no_problem = { NO_REASON, 0 };

static struct problem bad_field(uint16_t at)
{
	return (struct problem){ BAD_PROGRAM, at };
}

static struct problem problem(uint8_t reason, uint32_t detail)
{
	return (struct problem){ reason, detail };
}

static struct problem check_form(const uint8_t *b, uint16_t length)
{
	if (length < HEAD)
		return problem(BAD_LENGTH, length);
	if (b[0] != FORMAT)
		return bad_field(0);
	if (b[AT_FLAGS] & ~(CLOCK_FALLING | GATE_FALLING))
		return bad_field(AT_FLAGS);
	if (b[AT_POINTS] > MAX_TABLE)
		return bad_field(AT_POINTS);
	if (b[AT_CUES] > MAX_CUES)
		return bad_field(AT_CUES);
	if (b[AT_OPENING] > MAX_CUES)
		return bad_field(AT_OPENING);
	uint16_t whole = HEAD + POINT * b[AT_POINTS] + CUE_SIZE * (b[AT_CUES] + b[AT_OPENING]);
	if (length != whole)
		return problem(BAD_LENGTH, length);
	return no_problem;
}

static struct problem check_source(uint8_t input, uint8_t at, bool falling, const struct limits *l)
{
	if (input == NO_INPUT)
		return falling ? bad_field(AT_FLAGS) : no_problem;
	if (input >= l->inputs)
		return problem(NO_SUCH_PIN, input);
	if (l->kill >> input & 1)
		return bad_field(at);
	return no_problem;
}

static struct problem check_sources(const uint8_t *b, const struct limits *l)
{
	uint8_t clock = b[AT_CLOCK], gate = b[AT_GATE];
	struct problem p = check_source(clock, AT_CLOCK, b[AT_FLAGS] & CLOCK_FALLING, l);
	if (!p.reason)
		p = check_source(gate, AT_GATE, b[AT_FLAGS] & GATE_FALLING, l);
	if (p.reason)
		return p;
	if (gate != NO_INPUT && (clock == NO_INPUT || clock == gate))
		return bad_field(AT_GATE);
	if (b[AT_NTH] == 0 || (b[AT_NTH] > 1 && (gate != NO_INPUT || clock == NO_INPUT)))
		return bad_field(AT_NTH);
	return no_problem;
}

static struct problem check_times(const uint8_t *b)
{
	bool gated = b[AT_GATE] != NO_INPUT;
	bool ranged = gated || (b[AT_CLOCK] != NO_INPUT && b[AT_OPENING] > 0); /* gate intervals or a window */
	uint32_t min = get32(b + AT_GATE_MIN), max = get32(b + AT_GATE_MAX);
	if (min == 0 ? gated : !ranged)
		return bad_field(AT_GATE_MIN);
	if (max < min || max > MAX_DELAY || (!ranged && max != 0))
		return bad_field(AT_GATE_MAX);
	if (get32(b + AT_HOLD_OFF) > MAX_DELAY)
		return bad_field(AT_HOLD_OFF);
	if (get32(b + AT_LATE) > MAX_DELAY)
		return bad_field(AT_LATE);
	if (get32(b + AT_REST) > MAX_WIDTH)
		return bad_field(AT_REST);
	return no_problem;
}

static struct problem check_points(const uint8_t *b, uint8_t n)
{
	uint32_t last = 0;
	for (uint8_t i = 0; i < n; i++) {
		uint16_t at = HEAD + POINT * i;
		uint32_t interval = get32(b + at);
		if (interval > MAX_DELAY || (i > 0 && interval <= last))
			return bad_field(at);
		if (get32(b + at + 4) > MAX_DELAY)
			return bad_field(at + 4);
		last = interval;
	}
	return no_problem;
}

static struct problem check_table(const uint8_t *b)
{
	bool gated = b[AT_GATE] != NO_INPUT;
	uint8_t n = b[AT_POINTS];
	if (gated ? n < 2 : n != 1)
		return bad_field(AT_POINTS);
	if (!gated && get32(b + HEAD) != 0)
		return bad_field(HEAD);
	struct problem p = check_points(b, n);
	if (p.reason)
		return p;
	uint16_t last = HEAD + POINT * (n - 1);
	if (get32(b + HEAD) > get32(b + AT_GATE_MIN))
		return bad_field(HEAD);
	if (gated && get32(b + last) < get32(b + AT_GATE_MAX))
		return bad_field(last);
	return no_problem;
}

/* have_gap says whether two cues on one output have gap, at least a tick, between them. */
static bool have_gap(const uint8_t *a, const uint8_t *b, uint32_t gap)
{
	if ((int32_t)get32(b + CUE_OFFSET) < (int32_t)get32(a + CUE_OFFSET)) {
		const uint8_t *first = b;
		b = a;
		a = first;
	}
	int32_t between = (int32_t)(get32(b + CUE_OFFSET) - get32(a + CUE_OFFSET) - get32(a + CUE_WIDTH));
	return between >= (int32_t)(gap ? gap : 1);
}

/* check_cue checks cue i of the list that begins at byte at, by itself and against those before it. */
static struct problem check_cue(const uint8_t *b, uint16_t at, uint8_t i, int32_t lowest, const struct limits *l)
{
	const uint8_t *list = b + at, *c = list + CUE_SIZE * i;
	uint16_t here = at + CUE_SIZE * i;
	if (c[0] >= l->outputs)
		return problem(NO_SUCH_PIN, c[0]);
	int32_t offset = (int32_t)get32(c + CUE_OFFSET);
	if (offset < lowest || offset > MAX_DELAY)
		return bad_field(here + CUE_OFFSET);
	uint32_t width = get32(c + CUE_WIDTH);
	if (width == 0)
		return bad_field(here + CUE_WIDTH);
	if (width > l->max_on[c[0]])
		return problem(ON_TOO_LONG, l->max_on[c[0]]);
	for (uint8_t k = 0; k < i; k++) {
		const uint8_t *other = list + CUE_SIZE * k;
		if (other[0] == c[0] && !have_gap(c, other, l->lead))
			return bad_field(here);
	}
	return no_problem;
}

static struct problem check_cues(const uint8_t *b, const struct limits *l)
{
	uint8_t cues = b[AT_CUES], opening = b[AT_OPENING];
	uint16_t first = HEAD + POINT * b[AT_POINTS], second = first + CUE_SIZE * cues;
	for (uint8_t i = 0; i < cues; i++) {
		struct problem p = check_cue(b, first, i, -MAX_DELAY, l);
		if (p.reason)
			return p;
	}
	for (uint8_t i = 0; i < opening; i++) {
		struct problem p = check_cue(b, second, i, 0, l);
		if (p.reason)
			return p;
		uint16_t at = second + CUE_SIZE * i;
		for (uint8_t k = 0; k < cues; k++)
			if (b[first + CUE_SIZE * k] == b[at])
				return bad_field(at);
	}
	return no_problem;
}

struct problem program_check(const uint8_t *loaded, uint16_t length, const struct limits *l)
{
	struct problem p = check_form(loaded, length);
	if (!p.reason)
		p = check_sources(loaded, l);
	if (!p.reason)
		p = check_times(loaded);
	if (!p.reason)
		p = check_table(loaded);
	if (!p.reason)
		p = check_cues(loaded, l);
	return p;
}

static uint8_t cue_output(const struct program *p, uint8_t cue)
{
	return cue_spec(p, cue)[0];
}

static int32_t cue_offset(const struct program *p, uint8_t cue)
{
	return (int32_t)get32(cue_spec(p, cue) + CUE_OFFSET);
}

/* sort_cues sorts the n cues of a list by their starts: the first of each output in p->first, those that
 * follow it on the same output in p->next. */
static void sort_cues(struct program *p, uint8_t list, uint8_t n)
{
	uint8_t sorted[MAX_CUES], last[MAX_OUTPUTS];
	for (uint8_t i = 0; i < n; i++) {
		uint8_t cue = (uint8_t)(MAX_CUES * list + i), k = i;
		for (; k > 0 && cue_offset(p, sorted[k - 1]) > cue_offset(p, cue); k--)
			sorted[k] = sorted[k - 1];
		sorted[k] = cue;
	}
	memset(last, NONE, sizeof last);
	for (uint8_t i = 0; i < n; i++) {
		uint8_t output = cue_output(p, sorted[i]);
		if (last[output] == NONE)
			p->first[list][output] = sorted[i];
		else
			p->next[last[output]] = sorted[i];
		last[output] = sorted[i];
	}
	if (list == 0)
		p->earliest = n ? cue_offset(p, sorted[0]) : MAX_DELAY; /* of a dry run nothing is late */
}

void program_read(struct program *p, const uint8_t *b)
{
	p->clock = b[AT_CLOCK];
	p->gate = b[AT_GATE];
	p->clock_high = !(b[AT_FLAGS] & CLOCK_FALLING);
	p->gate_high = !(b[AT_FLAGS] & GATE_FALLING);
	p->nth = b[AT_NTH];
	p->points = b[AT_POINTS];
	p->cues = b[AT_CUES];
	p->opening = b[AT_OPENING];
	p->gate_min = get32(b + AT_GATE_MIN);
	p->gate_max = get32(b + AT_GATE_MAX);
	p->hold_off = get32(b + AT_HOLD_OFF);
	p->late = get32(b + AT_LATE);
	p->rest = get32(b + AT_REST);
	p->table = b + HEAD;
	p->cue = b + HEAD + POINT * p->points;
	memset(p->next, NONE, sizeof p->next);
	memset(p->first, NONE, sizeof p->first);
	sort_cues(p, 0, p->cues);
	sort_cues(p, 1, p->opening);
}

uint32_t first_delay(const struct program *p)
{
	return get32(p->table + 4);
}

/* scale is change * into / span, rounded down; all at most 2^29, into at most span. Long multiplication and division
 * in step: the remainder stays below 3 * 2^29. */
static uint32_t scale(uint32_t change, uint32_t into, uint32_t span)
{
	uint32_t quotient = 0, rest = 0;
	for (uint32_t bit = 1UL << 29; bit; bit >>= 1) {
		quotient += quotient;
		rest += rest;
		if (change & bit)
			rest += into;
		while (rest >= span) {
			rest -= span;
			quotient++;
		}
	}
	return quotient;
}

uint32_t delay_for(const struct program *p, uint32_t interval)
{
	const uint8_t *b = p->table + POINT;
	for (uint8_t i = 1; i + 1 < p->points && interval > get32(b); i++)
		b += POINT;
	const uint8_t *a = b - POINT;
	uint32_t from = get32(a), d0 = get32(a + 4), d1 = get32(b + 4);
	uint32_t into = interval - from, span = get32(b) - from;
	return d1 < d0 ? d0 - scale(d0 - d1, into, span) : d0 + scale(d1 - d0, into, span);
}
