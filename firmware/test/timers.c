#include "timers.h"

#include <avr_timer.h>
#include <string.h>

/* A compare unit and its pin. */
struct channel {
	struct timer *timer;
	avr_int_vector_t *vector;
	int match_bit;              /* in TIFRn and TIMSKn */
	int mode_shift;             /* of COMnx in TCCRnA */
	char port;
	int bit;
	uint16_t compare;
	int latch, pin;
	avr_cycle_count_t known;    /* matches until then are in the flag */
};

struct timer {
	avr_timer_t *sim;
	int number;
	uint32_t period;            /* counts */
	uint32_t divide;            /* cycles a count; 0: stopped */
	avr_cycle_count_t base;     /* the count was 0 then */
	uint16_t halted;            /* the count while stopped or held */
	avr_io_addr_t control, flags, mask;
	struct channel channel[2];
};

static avr_t *avr;
static moved_t tell;
static started_t tell_start;
static struct timer timers[3];
static int held;                    /* GTCCR keeps the prescalers in reset */
static avr_cycle_count_t prescaler; /* it was reset then */
static uint8_t temp;                /* the shared high byte of timer 1 */
static uint16_t captured;
static int icp;

enum { GTCCR = 0x43, TCCR1B = 0x81, TCNT1 = 0x84, ICR1 = 0x86 };

static int running(const struct timer *t)
{
	return t->divide && !held;
}

static uint16_t count(const struct timer *t, avr_cycle_count_t at)
{
	return running(t) ? (uint16_t)((at - t->base) / t->divide % t->period) : t->halted;
}

static int mode(const struct channel *c)
{
	return avr->data[c->timer->control] >> c->mode_shift & 3;
}

static void drive(struct channel *c, avr_cycle_count_t when)
{
	int port = c->port - 'B'; /* PINx, DDRx and PORTx follow each other, B, C and D too */
	int ddr = avr->data[0x24 + 3 * port] >> c->bit & 1, latch = avr->data[0x25 + 3 * port] >> c->bit & 1;
	int level = ddr && (mode(c) ? c->latch : latch);
	if (level == c->pin)
		return;
	c->pin = level;
	tell(c->port, c->bit, level, when);
}

static void act(struct channel *c, avr_cycle_count_t when)
{
	switch (mode(c)) {
	case 1:
		c->latch ^= 1;
		break;
	case 2:
		c->latch = 0;
		break;
	case 3:
		c->latch = 1;
		break;
	}
	drive(c, when);
}

static avr_cycle_count_t whole(const struct timer *t)
{
	return (avr_cycle_count_t)t->period * t->divide;
}

/* next_match is when the pin moves the next time: at the end of the count that equals the compare register. */
static avr_cycle_count_t next_match(const struct channel *c, avr_cycle_count_t after)
{
	const struct timer *t = c->timer;
	avr_cycle_count_t phase = (after - t->base) % whole(t), at = ((avr_cycle_count_t)c->compare + 1) * t->divide;
	return after + (at > phase ? at - phase : at + whole(t) - phase);
}

/* note raises the flag for matches that were not scheduled. */
static void note(struct channel *c)
{
	avr_cycle_count_t was = c->known;
	c->known = avr->cycle;
	if (running(c->timer) && next_match(c, was) <= avr->cycle)
		avr_raise_interrupt(avr, c->vector);
}

static int matters(const struct channel *c)
{
	int m = mode(c);
	return running(c->timer) && (avr->data[c->timer->mask] >> c->match_bit & 1 || m == 1 || (m == 2 && c->latch) ||
		(m == 3 && !c->latch));
}

static avr_cycle_count_t on_match(avr_t *a, avr_cycle_count_t when, void *param)
{
	struct channel *c = param;
	(void)a;
	act(c, when);
	c->known = when;
	avr_raise_interrupt(avr, c->vector);
	return matters(c) ? when + whole(c->timer) : 0;
}

/* plan schedules the next match, if it matters. */
static void plan(struct channel *c)
{
	if (matters(c))
		avr_cycle_timer_register(avr, next_match(c, avr->cycle) - avr->cycle, on_match, c);
	else
		avr_cycle_timer_cancel(avr, on_match, c);
}

static avr_cycle_count_t on_overflow(avr_t *a, avr_cycle_count_t when, void *param)
{
	struct timer *t = param;
	(void)a;
	avr_raise_interrupt(avr, &t->sim->overflow);
	return when + whole(t);
}

static void plan_all(struct timer *t)
{
	for (int i = 0; i < 2; i++)
		plan(&t->channel[i]);
	if (running(t) && t->number == 1)
		avr_cycle_timer_register(avr, whole(t) - (avr->cycle - t->base) % whole(t), on_overflow, t);
	else
		avr_cycle_timer_cancel(avr, on_overflow, t);
}

static void note_all(struct timer *t)
{
	note(&t->channel[0]);
	note(&t->channel[1]);
}

/* begin lets a timer count on from halted, in step with its prescaler. */
static void begin(struct timer *t)
{
	if (!running(t))
		return;
	avr_cycle_count_t step = prescaler + (avr->cycle - prescaler) / t->divide * t->divide;
	t->base = step + whole(t) - (avr_cycle_count_t)t->halted * t->divide;
	while (t->base > avr->cycle)
		t->base -= whole(t) < t->base ? whole(t) : t->base;
	t->channel[0].known = t->channel[1].known = avr->cycle;
}

static void on_control_a(avr_t *a, avr_io_addr_t addr, uint8_t v, void *param)
{
	struct timer *t = param;
	(void)a;
	note_all(t);
	avr->data[addr] = v;
	for (int i = 0; i < 2; i++)
		drive(&t->channel[i], avr->cycle);
	plan_all(t);
}

static void strobe(struct timer *t, uint8_t v)
{
	if (v & 0x80)
		act(&t->channel[0], avr->cycle);
	if (v & 0x40)
		act(&t->channel[1], avr->cycle);
	plan_all(t);
}

static void on_control_b(avr_t *a, avr_io_addr_t addr, uint8_t v, void *param)
{
	static const uint32_t fast[8] = { 0, 1, 8, 64, 256, 1024, 0, 0 }, slow[8] = { 0, 1, 8, 32, 64, 128, 256, 1024 };
	struct timer *t = param;
	(void)a;
	uint32_t divide = (t->number == 2 ? slow : fast)[v & 7];
	if (divide != t->divide) {
		note_all(t);
		t->halted = count(t, avr->cycle);
		t->divide = divide;
		begin(t);
		plan_all(t);
	}
	avr->data[addr] = t->number == 1 ? v : v & 0x3F;
	if (t->number != 1)
		strobe(t, v);
}

static void on_force(avr_t *a, avr_io_addr_t addr, uint8_t v, void *param)
{
	(void)a;
	(void)addr;
	strobe(param, v);
}

static void on_hold(avr_t *a, avr_io_addr_t addr, uint8_t v, void *param)
{
	(void)a;
	(void)param;
	int hold = v >> 7;
	avr->data[addr] = hold ? v : 0;
	if (hold == held)
		return;
	for (int i = 0; i < 3; i++) {
		note_all(&timers[i]);
		timers[i].halted = count(&timers[i], avr->cycle);
	}
	held = hold;
	prescaler = avr->cycle;
	if (!held)
		tell_start(avr->cycle);
	for (int i = 0; i < 3; i++) {
		begin(&timers[i]);
		plan_all(&timers[i]);
	}
}

static void on_count(avr_t *a, avr_io_addr_t addr, uint8_t v, void *param)
{
	struct timer *t = param;
	(void)a;
	(void)addr;
	note_all(t);
	t->halted = (uint16_t)((t->number == 1 ? temp << 8 : 0) | v);
	begin(t);
	plan_all(t);
}

static void on_compare(avr_t *a, avr_io_addr_t addr, uint8_t v, void *param)
{
	struct channel *c = param;
	(void)a;
	note(c);
	c->compare = (uint16_t)((c->timer->number == 1 ? temp << 8 : 0) | v);
	avr->data[addr] = v;
	plan(c);
}

static void on_high(avr_t *a, avr_io_addr_t addr, uint8_t v, void *param)
{
	(void)a;
	(void)addr;
	(void)param;
	temp = v;
}

static avr_int_vector_t *vector(struct timer *t, int bit)
{
	switch (bit) {
	case 0:
		return &t->sim->overflow;
	case 1:
	case 2:
		return t->channel[bit - 1].vector;
	}
	return bit == 5 && t->number == 1 ? &t->sim->icr : NULL;
}

static void on_flags(avr_t *a, avr_io_addr_t addr, uint8_t v, void *param)
{
	struct timer *t = param;
	(void)a;
	(void)addr;
	note_all(t);
	for (int bit = 0; bit < 6; bit++)
		if (v >> bit & 1 && vector(t, bit) && avr_regbit_get(avr, vector(t, bit)->raised))
			avr_clear_interrupt(avr, vector(t, bit));
}

static void on_mask(avr_t *a, avr_io_addr_t addr, uint8_t v, void *param)
{
	struct timer *t = param;
	(void)a;
	note_all(t);
	avr->data[addr] = v;
	for (int bit = 0; bit < 6; bit++)
		if (v >> bit & 1 && vector(t, bit) && avr_regbit_get(avr, vector(t, bit)->raised))
			avr_raise_interrupt(avr, vector(t, bit));
	plan_all(t);
}

static void on_port(avr_t *a, avr_io_addr_t addr, uint8_t v, void *param)
{
	(void)a;
	(void)addr;
	(void)v;
	(void)param;
	for (int i = 0; i < CHANNELS; i++)
		drive(&timers[i / 2].channel[i % 2], avr->cycle);
}

static uint8_t read_low(avr_t *a, avr_io_addr_t addr, void *param)
{
	struct timer *t = param;
	(void)a;
	uint16_t v = addr == ICR1 ? captured : count(t, avr->cycle);
	if (t->number == 1)
		temp = (uint8_t)(v >> 8);
	return avr->data[addr] = (uint8_t)v;
}

static uint8_t read_high(avr_t *a, avr_io_addr_t addr, void *param)
{
	(void)a;
	(void)param;
	return avr->data[addr] = temp;
}

void timers_capture(int level, avr_cycle_count_t when)
{
	if (level == icp)
		return;
	icp = level;
	if (level != (avr->data[TCCR1B] >> 6 & 1))
		return;
	captured = count(&timers[1], when);
	avr_raise_interrupt(avr, &timers[1].sim->icr);
}

void timers_reset(void)
{
	temp = 0;
	captured = 0;
	held = 0;
	prescaler = avr->cycle;
	for (int i = 0; i < CHANNELS; i++) {
		struct channel *c = &timers[i / 2].channel[i % 2];
		c->timer->divide = 0;
		c->timer->halted = 0;
		c->compare = 0;
		c->latch = 0;
		c->known = avr->cycle;
		drive(c, avr->cycle);
	}
}

static void on_write(avr_io_addr_t addr, avr_io_write_t f, void *param)
{
	avr->io[AVR_DATA_TO_IO(addr)].w.c = f;
	avr->io[AVR_DATA_TO_IO(addr)].w.param = param;
}

static void on_read(avr_io_addr_t addr, avr_io_read_t f, void *param)
{
	avr->io[AVR_DATA_TO_IO(addr)].r.c = f;
	avr->io[AVR_DATA_TO_IO(addr)].r.param = param;
}

/* Where each timer has its registers, and its compare pins. */
static const struct layout {
	avr_io_addr_t control_a, control_b, force, counter, compare[2], flags, mask;
	char port[2];
	int bit[2];
} layouts[3] = {
	{ 0x44, 0x45, 0, 0x46, { 0x47, 0x48 }, 0x35, 0x6E, "DD", { 6, 5 } },
	{ 0x80, 0x81, 0x82, 0x84, { 0x88, 0x8A }, 0x36, 0x6F, "BB", { 1, 2 } },
	{ 0xB0, 0xB1, 0, 0xB2, { 0xB3, 0xB4 }, 0x37, 0x70, "BD", { 3, 3 } },
};

static void attach(struct timer *t, int number)
{
	const struct layout *l = &layouts[number];
	t->number = number;
	t->period = number == 1 ? 65536 : 256;
	t->control = l->control_a;
	t->flags = l->flags;
	t->mask = l->mask;
	for (avr_io_t *io = avr->io_port; io; io = io->next)
		if (!strcmp(io->kind, "timer") && ((avr_timer_t *)io)->name == '0' + number)
			t->sim = (avr_timer_t *)io;
	for (int i = 0; i < 2; i++) {
		struct channel *c = &t->channel[i];
		*c = (struct channel){ .timer = t, .vector = &t->sim->comp[i].interrupt, .match_bit = 1 + i,
			.mode_shift = 6 - 2 * i, .port = l->port[i], .bit = l->bit[i] };
		on_write(l->compare[i], on_compare, c);
	}
	on_write(l->control_a, on_control_a, t);
	on_write(l->control_b, on_control_b, t);
	on_write(l->counter, on_count, t);
	on_write(l->flags, on_flags, t);
	on_write(l->mask, on_mask, t);
	on_read(l->counter, read_low, t);
	if (number != 1)
		return;
	t->sim->mode.top = avr_timer_wgm_reg_icr; /* its own capture does nothing then */
	on_write(l->force, on_force, t);
	on_write(l->counter + 1, on_high, t);
	on_write(l->compare[0] + 1, on_high, t);
	on_write(l->compare[1] + 1, on_high, t);
	on_read(ICR1, read_low, t);
	on_read(ICR1 + 1, read_high, t);
	on_read(l->counter + 1, read_high, t);
}

void timers_attach(avr_t *a, moved_t moved, started_t started)
{
	static const avr_io_addr_t ports[] = { 0x24, 0x25, 0x2A, 0x2B }; /* DDRB, PORTB, DDRD, PORTD */
	avr = a;
	tell = moved;
	tell_start = started;
	for (int i = 0; i < 3; i++)
		attach(&timers[i], i);
	on_write(GTCCR, on_hold, NULL);
	for (int i = 0; i < 4; i++)
		avr_register_io_write(avr, ports[i], on_port, NULL); /* after the port's own */
}
