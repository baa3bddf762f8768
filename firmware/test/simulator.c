/* The firmware on a simulated ATmega328P (libsimavr), with pins, serial line and time in the hands of a test.
 *
 *   simulator ELF                   lock-step: time moves in "run" alone; the same input gives the same output
 *   simulator --pty LINK ELF        in real time, the serial line at a pseudo-terminal that LINK is linked to
 *
 * Lines on stdin, in lock-step; cycles are of 16 MHz from the start:
 *   pin NAME LEVEL CYCLE            gate, beam, sync, kill, button
 *   storm NAME CYCLE PERIOD COUNT   COUNT changes, one each PERIOD cycles
 *   mic MILLIVOLTS CYCLE
 *   send HEX CYCLE                  bytes to the firmware, not before CYCLE, as fast as the line can
 *   poke ADDRESS HEX CYCLE          writes into the chip's memory
 *   reset CYCLE
 *   cut CYCLE                       from then on the firmware executes nothing: it hangs
 *   stack END                       prints "S BYTES": memory from END, where data ends, that was never written
 *   stats                           prints "I VECTOR COUNT LONGEST LATEST" for each interrupt, in cycles, and "E"
 *   heartbeat                       reports the heartbeat as an output from now on
 *   run CYCLE                       prints what happened until then, and "R CYCLE STATE"
 * In real time: pin NAME LEVEL, mic MILLIVOLTS, reset, quit.
 *
 * Lines on stdout: "T CYCLE" board time begins, "O CYCLE NAME LEVEL" an output changed, "U CYCLE HEX" a byte was sent, "X CYCLE TEXT" reset and the
 * like. In real time: "pty NAME", "out NAME LEVEL CYCLE". */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <pty.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <avr_adc.h>
#include <avr_extint.h>
#include <avr_ioport.h>
#include <avr_uart.h>
#include <sim_avr.h>
#include <sim_elf.h>

#include "../src/pins.h"
#include "timers.h"

enum { BYTE_CYCLES = 640, RAM_START = 0x100, RAM_END = 0x8FF, PAINT = 0xC5, PCIFR = 0x3B, EIFR = 0x3C, MCUSR = 0x54, UDR0 = 0xC6, EXTRF = 2, VECTORS = 26 };

enum { LETTER_B = 'B', LETTER_C, LETTER_D };

struct named {
	const char *name;
	char port;
	int bit;
};
#define NAMED(name, pin) NAMED_(name, pin)
#define NAMED_(...) NAMED_PIN(__VA_ARGS__)
#define NAMED_PIN(name, port, n) { name, LETTER_##port, n }
static const struct named inputs[] = { NAMED("gate", PIN_GATE), NAMED("beam", PIN_BEAM), NAMED("sync", PIN_SYNC),
	NAMED("kill", PIN_KILL), NAMED("button", PIN_BUTTON) };
static const struct named outputs[] = { NAMED("shutter", PIN_SHUTTER), NAMED("focus", PIN_FOCUS),
	NAMED("flash1", PIN_FLASH1), NAMED("flash2", PIN_FLASH2), NAMED("valve1", PIN_VALVE1), NAMED("valve2", PIN_VALVE2) };
static const struct named heartbeat = NAMED("heartbeat", PIN_HEARTBEAT);
enum { INPUT_PINS = sizeof inputs / sizeof *inputs, OUTPUT_PINS = sizeof outputs / sizeof *outputs };

/* Something that is to happen. */
enum { PIN_CHANGE, STORM, MICROPHONE, BYTE, POKE, RESET, CUT, STOP };
struct event {
	avr_cycle_count_t at, period;
	uint64_t order;
	int kind, index;
	uint32_t value, left;
};

static avr_t *avr;
static avr_uart_t *uart;
static struct event *heap;
static size_t events, heap_size;
static uint64_t order;
static avr_cycle_count_t line_free; /* the line to the firmware is busy until then */
static int levels[INPUT_PINS];
static uint32_t millivolts = 2500;
static int master = -1;             /* the pseudo-terminal */
static int hide_heartbeat = 1;

/* Interrupts: how often, how long, how late; and what share of the time the processor is awake. */
static struct {
	uint64_t count;
	avr_cycle_count_t raised, entered, longest, latest;
	int waiting;
} vectors[VECTORS];

static void fail(const char *why)
{
	fprintf(stderr, "simulator: %s\n", why);
	exit(1);
}

static int sooner(const struct event *a, const struct event *b)
{
	return a->at != b->at ? a->at < b->at : a->order < b->order;
}

static void push(struct event e)
{
	if (events == heap_size) {
		heap_size = heap_size ? 2 * heap_size : 256;
		heap = realloc(heap, heap_size * sizeof *heap);
		if (!heap)
			fail("no memory");
	}
	e.order = order++;
	size_t i = events++;
	for (; i && sooner(&e, &heap[(i - 1) / 2]); i = (i - 1) / 2)
		heap[i] = heap[(i - 1) / 2];
	heap[i] = e;
}

static struct event pop(void)
{
	struct event first = heap[0], last = heap[--events];
	size_t i = 0;
	for (;;) {
		size_t child = 2 * i + 1;
		if (child >= events)
			break;
		if (child + 1 < events && sooner(&heap[child + 1], &heap[child]))
			child++;
		if (!sooner(&heap[child], &last))
			break;
		heap[i] = heap[child];
		i = child;
	}
	if (events)
		heap[i] = last;
	return first;
}

/* set_level drives an input. The port must know the outside level, or a write to PORTx brings the pull-up's back. */
static void set_level(int i, int level, avr_cycle_count_t when)
{
	const struct named *pin = &inputs[i];
	avr_ioport_external_t e = { .name = (unsigned long)pin->port, .mask = 0, .value = 0 };
	levels[i] = level;
	for (int k = 0; k < INPUT_PINS; k++)
		if (inputs[k].port == pin->port) {
			e.mask |= 1UL << inputs[k].bit & 0xFF;
			if (levels[k])
				e.value |= 1UL << inputs[k].bit & 0xFF;
		}
	avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(pin->port), &e);
	avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(pin->port), pin->bit), (uint32_t)level);
	if (i == 1)
		timers_capture(level, when);
}

static void set_all_levels(void)
{
	for (int i = 0; i < INPUT_PINS; i++)
		set_level(i, levels[i], avr->cycle);
	avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0), millivolts);
}

/* The receiver holds two bytes; a third is lost, and the next read of the status says so. Version 1.6 holds 64, reads none
 * sooner than a byte time after the other, and can stop for good when another interrupt delays a read. */
static struct {
	uint8_t bytes[2];
	int n, overrun;
} receiver;

static void receive_byte(uint8_t byte)
{
	if (!avr_regbit_get(avr, uart->rxen))
		return;
	if (receiver.n == 2) {
		receiver.overrun = 1;
		printf("X %llu overrun\n", (unsigned long long)avr->cycle);
		return;
	}
	receiver.bytes[receiver.n++] = byte;
	avr_regbit_setto(avr, uart->dor, receiver.overrun);
	avr_raise_interrupt(avr, &uart->rxc);
}

static uint8_t on_read_byte(avr_t *a, avr_io_addr_t addr, void *param)
{
	(void)a;
	(void)param;
	uint8_t byte = receiver.bytes[0];
	receiver.bytes[0] = receiver.bytes[1];
	receiver.overrun = 0;
	avr_regbit_setto(avr, uart->dor, 0);
	avr_clear_interrupt(avr, &uart->rxc);
	avr_regbit_clear(avr, uart->rxc.raised); /* 1.6 leaves that to its own receiver */
	if (receiver.n > 0 && --receiver.n > 0)
		avr_raise_interrupt(avr, &uart->rxc);
	return avr->data[addr] = byte;
}

/* on_flags clears the flags that a one is written to. Version 1.6 sets them. */
static void on_flags(avr_t *a, avr_io_addr_t addr, uint8_t v, void *param)
{
	int first = (int)(intptr_t)param; /* vector of bit 0 */
	(void)addr;
	for (int i = 0; i < a->interrupts.vector_count; i++) {
		avr_int_vector_t *vector = a->interrupts.vector[i];
		int bit = vector->vector - first;
		if (bit >= 0 && bit < (first == 1 ? 2 : 3) && v >> bit & 1 && avr_regbit_get(a, vector->raised))
			avr_clear_interrupt(a, vector);
	}
}

static int cut, resetting; /* asked for: not to be done while the pool of timers is looked through */

static void happen(struct event *e)
{
	switch (e->kind) {
	case PIN_CHANGE:
		set_level(e->index, (int)e->value, e->at);
		break;
	case STORM:
		set_level(e->index, !levels[e->index], e->at);
		if (--e->left) {
			e->at += e->period;
			push(*e);
		}
		break;
	case MICROPHONE:
		millivolts = e->value;
		avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0), millivolts);
		break;
	case BYTE:
		receive_byte((uint8_t)e->value);
		break;
	case POKE:
		avr->data[e->index] = (uint8_t)e->value;
		break;
	case RESET:
		resetting = 1;
		break;
	case CUT:
		cut = 1;
		break;
	}
}

static avr_cycle_count_t on_event(avr_t *a, avr_cycle_count_t when, void *param)
{
	(void)when;
	(void)param;
	while (events && heap[0].at <= a->cycle) {
		struct event e = pop();
		happen(&e);
	}
	return events ? heap[0].at : 0;
}

static void wait_for_events(void)
{
	if (events)
		avr_cycle_timer_register(avr, heap[0].at > avr->cycle ? heap[0].at - avr->cycle : 1, on_event, NULL);
}

static void tell_output(const char *name, int level, avr_cycle_count_t when)
{
	if (master < 0)
		printf("O %llu %s %d\n", (unsigned long long)when, name, level);
	else
		printf("out %s %d %llu\n", name, level, (unsigned long long)when);
}

static void on_moved(char port, int bit, int level, avr_cycle_count_t when)
{
	for (int i = 0; i < OUTPUT_PINS; i++)
		if (outputs[i].port == port && outputs[i].bit == bit)
			tell_output(outputs[i].name, level, when);
}

static void on_started(avr_cycle_count_t when)
{
	if (master < 0)
		printf("T %llu\n", (unsigned long long)when);
}

static void on_heartbeat(avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq;
	(void)param;
	if (master < 0 && !hide_heartbeat)
		printf("O %llu %s %u\n", (unsigned long long)avr->cycle, heartbeat.name, value & 1);
}

static void on_sent(avr_irq_t *irq, uint32_t value, void *param)
{
	(void)irq;
	(void)param;
	uint8_t byte = (uint8_t)value;
	uart->cycles_per_byte = BYTE_CYCLES;
	if (master < 0)
		printf("U %llu %02x\n", (unsigned long long)avr->cycle, byte);
	else if (write(master, &byte, 1) < 0 && errno != EAGAIN && errno != EIO)
		fail(strerror(errno));
}

static void on_pending(avr_irq_t *irq, uint32_t value, void *param)
{
	int v = (int)(intptr_t)param;
	(void)irq;
	if (value && !vectors[v].waiting) {
		vectors[v].raised = avr->cycle;
		vectors[v].waiting = 1;
	}
}

static void on_running(avr_irq_t *irq, uint32_t value, void *param)
{
	int v = (int)(intptr_t)param;
	(void)irq;
	if (!value) {
		avr_cycle_count_t took = avr->cycle + 4 - vectors[v].entered; /* reti */
		if (took > vectors[v].longest)
			vectors[v].longest = took;
		return;
	}
	vectors[v].count++;
	vectors[v].entered = avr->cycle;
	if (vectors[v].waiting && avr->cycle - vectors[v].raised > vectors[v].latest)
		vectors[v].latest = avr->cycle - vectors[v].raised;
	vectors[v].waiting = 0;
	avr->cycle += 4; /* 1.6 charges no time for entering an interrupt */
	avr->run_cycle_count = 1;
}

static avr_cycle_count_t on_settled(avr_t *a, avr_cycle_count_t when, void *param)
{
	(void)when;
	(void)param;
	avr_extint_set_strict_lvl_trig(a, 0, 0); /* else a low INT0 is polled each cycle */
	avr_extint_set_strict_lvl_trig(a, 1, 0);
	set_all_levels();
	return 0;
}

/* Where the firmware was made to hang, and what was there. */
static avr_flashaddr_t hung_at;
static uint8_t hung_was[2];

static void hang(void)
{
	static const uint8_t to_itself[2] = { 0xFF, 0xCF }; /* rjmp */
	cut = 0;
	hung_at = avr->pc;
	memcpy(hung_was, avr->flash + hung_at, sizeof hung_was);
	memcpy(avr->flash + hung_at, to_itself, sizeof to_itself);
	avr->sreg[S_I] = 0;
}

static void on_reset(avr_t *a)
{
	if (hung_at)
		memcpy(avr->flash + hung_at, hung_was, sizeof hung_was);
	hung_at = 0;
	printf("X %llu reset\n", (unsigned long long)a->cycle);
	timers_reset();
	receiver.n = receiver.overrun = 0;
	avr_cycle_timer_register(a, 1, on_settled, NULL);
	wait_for_events(); /* a reset empties the pool of timers */
}

static void no_sleep(avr_t *a, avr_cycle_count_t how_long)
{
	(void)a;
	(void)how_long;
}

static void logger(avr_t *a, const int level, const char *format, va_list args)
{
	(void)a;
	if (level <= LOG_ERROR)
		vfprintf(stderr, format, args);
}

static void watch_interrupts(void)
{
	for (int v = 1; v < VECTORS; v++) {
		avr_irq_t *irq = avr_get_interrupt_irq(avr, (uint8_t)v);
		if (!irq)
			continue;
		avr_irq_register_notify(irq + AVR_INT_IRQ_PENDING, on_pending, (void *)(intptr_t)v);
		avr_irq_register_notify(irq + AVR_INT_IRQ_RUNNING, on_running, (void *)(intptr_t)v);
	}
}

static void start(const char *path)
{
	elf_firmware_t f;
	memset(&f, 0, sizeof f);
	if (elf_read_firmware(path, &f))
		fail("cannot read the ELF file");
	avr = avr_make_mcu_by_name("atmega328p");
	if (!avr)
		fail("libsimavr does not know the ATmega328P");
	avr_init(avr);
	f.frequency = 16000000;
	f.vcc = f.avcc = f.aref = 5000;
	avr_load_firmware(avr, &f);
	avr->frequency = 16000000;
	avr->sleep = no_sleep;
	avr->log = LOG_ERROR;
	avr->reset = on_reset;
	for (avr_io_t *io = avr->io_port; io; io = io->next)
		if (!strcmp(io->kind, "uart"))
			uart = (avr_uart_t *)io;
	uint32_t flags = 0;
	avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
	flags &= ~(uint32_t)(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
	avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_sent, NULL);
	avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(heartbeat.port), heartbeat.bit), on_heartbeat,
		NULL);
	avr->io[AVR_DATA_TO_IO(UDR0)].r.c = on_read_byte;
	avr->io[AVR_DATA_TO_IO(EIFR)].w.c = on_flags;
	avr->io[AVR_DATA_TO_IO(EIFR)].w.param = (void *)(intptr_t)1;
	avr->io[AVR_DATA_TO_IO(PCIFR)].w.c = on_flags;
	avr->io[AVR_DATA_TO_IO(PCIFR)].w.param = (void *)(intptr_t)3;
	timers_attach(avr, on_moved, on_started);
	watch_interrupts();
	memset(avr->data + RAM_START, PAINT, RAM_END + 1 - RAM_START);
	for (int i = 0; i < INPUT_PINS; i++)
		levels[i] = i != 3; /* beams free, the kill switch closed, the button up */
	set_all_levels();
	avr_cycle_timer_register(avr, 1, on_settled, NULL);
}

/* step lets the processor go on until a cycle. One that hangs still has its timers and its watchdog. */
static int step(avr_cycle_count_t end)
{
	int state = avr->state;
	while (avr->cycle < end && state != cpu_Done && state != cpu_Crashed) {
		if (resetting) {
			avr_reset(avr);
			avr->data[MCUSR] |= EXTRF;
			resetting = 0;
		}
		if (cut)
			hang();
		state = avr_run(avr);
	}
	return state;
}

static int pin_index(const char *name)
{
	for (int i = 0; i < INPUT_PINS; i++)
		if (!strcmp(name, inputs[i].name))
			return i;
	fail("no such input");
	return 0;
}

static void send_bytes(const char *hex, avr_cycle_count_t at)
{
	if (line_free < at)
		line_free = at;
	for (unsigned byte; sscanf(hex, "%2x", &byte) == 1; hex += 2) {
		push((struct event){ .at = line_free + BYTE_CYCLES, .kind = BYTE, .value = byte });
		line_free += BYTE_CYCLES;
		if (!hex[1])
			fail("half a byte");
	}
}

static void print_stack(unsigned end)
{
	unsigned at = end;
	while (at <= RAM_END && avr->data[at] == PAINT)
		at++;
	printf("S %u\n", at - end);
}

static void print_stats(void)
{
	for (int v = 1; v < VECTORS; v++)
		if (vectors[v].count)
			printf("I %d %llu %llu %llu\n", v, (unsigned long long)vectors[v].count,
				(unsigned long long)vectors[v].longest, (unsigned long long)vectors[v].latest);
}

static void run(avr_cycle_count_t end)
{
	push((struct event){ .at = end, .kind = STOP }); /* so that no sleep goes beyond */
	wait_for_events();
	int state = step(end);
	printf("R %llu %d\n", (unsigned long long)avr->cycle, state);
}

/* obey carries out a line that lock-step and real time have in common, at a cycle; false: it is none. */
static int obey(const char *line)
{
	char name[16], hex[3000];
	unsigned a, b;
	unsigned long long at, period;
	if (sscanf(line, "pin %15s %u %llu", name, &a, &at) == 3)
		push((struct event){ .at = at, .kind = PIN_CHANGE, .index = pin_index(name), .value = a });
	else if (sscanf(line, "storm %15s %llu %llu %u", name, &at, &period, &a) == 4)
		push((struct event){ .at = at, .kind = STORM, .index = pin_index(name), .period = period, .left = a });
	else if (sscanf(line, "mic %u %llu", &a, &at) == 2)
		push((struct event){ .at = at, .kind = MICROPHONE, .value = a });
	else if (sscanf(line, "send %2999s %llu", hex, &at) == 2)
		send_bytes(hex, at);
	else if (sscanf(line, "poke %x %x %llu", &a, &b, &at) == 3)
		push((struct event){ .at = at, .kind = POKE, .index = (int)(a & 0xFFFF), .value = b });
	else if (sscanf(line, "reset %llu", &at) == 1)
		push((struct event){ .at = at, .kind = RESET });
	else if (sscanf(line, "cut %llu", &at) == 1)
		push((struct event){ .at = at, .kind = CUT });
	else
		return 0;
	return 1;
}

static void lock_step(void)
{
	char line[4096];
	unsigned address;
	unsigned long long at;
	while (fgets(line, sizeof line, stdin)) {
		if (sscanf(line, "run %llu", &at) == 1)
			run(at);
		else if (sscanf(line, "stack %x", &address) == 1)
			print_stack(address);
		else if (!strcmp(line, "stats\n")) {
			print_stats();
			printf("E\n");
		} else if (!strcmp(line, "heartbeat\n"))
			hide_heartbeat = 0;
		else if (!strcmp(line, "quit\n"))
			return;
		else {
			if (!obey(line))
				fail(line);
			continue;
		}
		fflush(stdout);
	}
}

static void open_terminal(const char *link)
{
	int slave;
	char name[64];
	struct termios mode;
	if (openpty(&master, &slave, name, NULL, NULL) < 0)
		fail(strerror(errno));
	tcgetattr(slave, &mode);
	cfmakeraw(&mode);
	tcsetattr(slave, TCSANOW, &mode);
	fcntl(master, F_SETFL, O_NONBLOCK); /* the other end stays open here: no error when the peer goes */
	unlink(link);
	if (symlink(name, link))
		fail(strerror(errno));
	printf("pty %s\n", name);
	fflush(stdout);
}

/* from_terminal takes bytes for the firmware, no more than a few ahead of the line. */
static void from_terminal(void)
{
	uint8_t bytes[64];
	ssize_t n;
	if (line_free > avr->cycle + 20 * BYTE_CYCLES || (n = read(master, bytes, sizeof bytes)) <= 0)
		return;
	for (ssize_t i = 0; i < n; i++) {
		if (line_free < avr->cycle)
			line_free = avr->cycle;
		push((struct event){ .at = line_free + BYTE_CYCLES, .kind = BYTE, .value = bytes[i] });
		line_free += BYTE_CYCLES;
	}
}

/* from_stdin carries out lines without a cycle: now. False: the end. */
static int from_stdin(void)
{
	static char line[256];
	static size_t n;
	char whole[300];
	ssize_t got;
	while ((got = read(0, line + n, 1)) == 1) {
		if (line[n] != '\n') {
			n += n < sizeof line - 2;
			continue;
		}
		line[n] = 0;
		n = 0;
		if (!strcmp(line, "quit"))
			return 0;
		snprintf(whole, sizeof whole, "%s %llu", line, (unsigned long long)avr->cycle);
		if (!obey(whole))
			fprintf(stderr, "simulator: what is %s?\n", line);
	}
	return got != 0;
}

static void real_time(const char *link)
{
	enum { SLICE = 4000, NANOSECONDS = 1000000000 }; /* 250 us */
	struct timespec t;
	open_terminal(link);
	fcntl(0, F_SETFL, O_NONBLOCK);
	clock_gettime(CLOCK_MONOTONIC, &t);
	while (from_stdin()) {
		from_terminal();
		push((struct event){ .at = avr->cycle + SLICE, .kind = STOP });
		wait_for_events();
		if (step(avr->cycle + SLICE) >= cpu_Done)
			fail("the firmware crashed");
		fflush(stdout);
		t.tv_nsec += SLICE * 1000 / 16;
		if (t.tv_nsec >= NANOSECONDS) {
			t.tv_nsec -= NANOSECONDS;
			t.tv_sec++;
		}
		clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, NULL);
	}
}

int main(int argc, char **argv)
{
	static char buffer[1 << 16];
	setvbuf(stdout, buffer, _IOFBF, sizeof buffer);
	avr_global_logger_set(logger);
	if (argc == 4 && !strcmp(argv[1], "--pty")) {
		start(argv[3]);
		real_time(argv[2]);
		unlink(argv[2]);
		return 0;
	}
	if (argc != 2)
		fail("usage: simulator [--pty LINK] stillwater.elf");
	start(argv[1]);
	lock_step();
	return 0;
}
