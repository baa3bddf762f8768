/* Firmware of the timing board: ATmega328P at 16 MHz. README.md has the figures, PROTOCOL.md the protocol. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <util/atomic.h>

#include "board.h"
#include "host.h"
#include "inputs.h"
#include "link.h"
#include "outputs.h"
#include "start.h"
#include "timebase.h"
#include "wire.h"

/* The heartbeat is a square wave of 50 Hz. */
#define HALF_PERIOD MS(10)

static uint32_t boot_id EEMEM;

/* reset_cause is why the chip was reset. A boot loader may have cleared the flags: then it is unknown. */
static uint8_t reset_cause(void)
{
	if (reset_flags & _BV(WDRF))
		return RESET_WATCHDOG;
	if (reset_flags & _BV(PORF))
		return RESET_POWER;
	if (reset_flags & _BV(BORF))
		return RESET_BROWN_OUT;
	if (reset_flags & _BV(EXTRF))
		return RESET_EXTERNAL;
	return RESET_UNKNOWN;
}

/* next_boot counts starts in the EEPROM, whose cells last 100,000 writes (ATmega328P data sheet, from memory). */
static uint32_t next_boot(void)
{
	uint32_t id = eeprom_read_dword(&boot_id) + 1;
	eeprom_update_dword(&boot_id, id);
	return id;
}

/* sleep_until_work sleeps until an interrupt sets work_pending. */
static void sleep_until_work(void)
{
	cli();
	while (!work_pending) {
		sleep_enable();
		sei();
		sleep_cpu();
		sleep_disable();
		cli();
	}
	work_pending = 0;
	sei();
}

/* toggle_heartbeat toggles the heartbeat every half period. */
static void toggle_heartbeat(void)
{
	static uint32_t last;
	uint32_t t = now_atomic();
	if (t - last < HALF_PERIOD)
		return;
	last = t;
	PIN_OF(PIN_HEARTBEAT) = BIT(PIN_HEARTBEAT); /* writing a one there toggles the pin */
}

/* loop is one pass of the main loop. Watchdog and heartbeat are served here alone, and only while interrupts run
 * too. */
static void loop(void)
{
	static uint8_t last;
	uint8_t elapsed = ticks - last;
	last += elapsed;
	report();
	if (request())
		board_wake();
	if (elapsed > 0) {
		report_tick(elapsed);
		toggle_heartbeat();
		wdt_reset();
	}
}

int main(void)
{
	outputs_start();
	DDR_OF(PIN_HEARTBEAT) |= BIT(PIN_HEARTBEAT);
	timebase_start();
	board.shot.number = 1;
	set_sleep_mode(SLEEP_MODE_IDLE);
	inputs_start();
	uint32_t boot = next_boot();
	link_start();
	wdt_enable(WDTO_60MS);
	sei();
	report_start(reset_cause(), boot);
	for (;;) {
		sleep_until_work();
		loop();
	}
}
