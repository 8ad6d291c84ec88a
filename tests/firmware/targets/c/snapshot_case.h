/* What a hand-over under test offers: the interrupt writes, the main loop reads. */
#ifndef SNAPSHOT_CASE_H
#define SNAPSHOT_CASE_H

#include "driver.h"

#ifdef __AVR__
#include <avr/interrupt.h>
#include <avr/io.h>
#endif

DRIVER_KEEP void snapshot_write(uint16_t value);
DRIVER_KEEP uint16_t snapshot_read(void);

#endif
