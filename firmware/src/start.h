/* What happens before main. */
#ifndef START_H
#define START_H

#include <stdint.h>

/* MCUSR after reset. */
extern uint8_t reset_flags;

void before_main(void) __attribute__((naked, used, section(".init3")));

#endif
