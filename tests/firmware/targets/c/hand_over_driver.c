/* One side of a hand-over that is cut into by the other. Stimulus: k, old word, new word. Record: the word
 * that was read, 1 if the other side ran since the first instruction, and the word that a later read gets.
 *
 * The machine raises the interrupt after k instructions of `interrupted_call`. READER_CUTS_IN: the writer is
 * interrupted by the reader; else the reader by WRITES writes in a row, old and new in turn, new the last. */
#include "driver.h"
#include "hand_over.h"

#ifdef __AVR__
#include <avr/interrupt.h>
#include <avr/io.h>
#endif

static volatile uint16_t old_word, new_word;
static volatile uint16_t seen;
static volatile uint8_t interrupted;

DRIVER_KEEP void prepare(uint16_t old, uint16_t new_one);
DRIVER_KEEP void interrupted_call(void);
DRIVER_KEEP void interrupting_call(void);
DRIVER_KEEP uint16_t later_read(void);

void prepare(uint16_t old, uint16_t new_one)
{
    hand_over_start();
    old_word = old;
    new_word = new_one;
    hand_over_write(old);
    /* The places that are steered by are those of any moment, not those of the start. */
    (void)hand_over_read();
    hand_over_write(old);
    seen = (uint16_t)~old;
    interrupted = 0u;
}

#ifdef READER_CUTS_IN
void interrupted_call(void)
{
    hand_over_write(new_word);
}

void interrupting_call(void)
{
    seen = hand_over_read();
    interrupted = 1u;
}
#else
void interrupted_call(void)
{
    seen = hand_over_read();
}

void interrupting_call(void)
{
    uint8_t left;

    for (left = WRITES; left != 0u; left--) {
        hand_over_write((left & 1u) != 0u ? new_word : old_word);
    }
    interrupted = 1u;
}
#endif

uint16_t later_read(void)
{
    return hand_over_read();
}

#if defined(__AVR__)
#define INTERRUPTS_OFF() cli()
#define INTERRUPTS_ON() __asm__ volatile("sei\n\tnop\n\tnop" ::: "memory")
#define NUMBERED_VECTOR(number) _VECTOR(number)
ISR(NUMBERED_VECTOR(DRIVER_VECTOR))
{
    interrupting_call();
}
#elif defined(__MSP430__)
#define INTERRUPTS_OFF() __asm__ volatile("dint\n\tnop" ::: "memory")
#define INTERRUPTS_ON() __asm__ volatile("nop\n\teint\n\tnop" ::: "memory")
__attribute__((interrupt(8))) void driver_vector(void);

__attribute__((interrupt(8))) void driver_vector(void)
{
    interrupting_call();
}
#else
/* The emulator makes the call itself. */
#define INTERRUPTS_OFF() ((void)0)
#define INTERRUPTS_ON() ((void)0)
#endif

void driver_start(void)
{
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    INTERRUPTS_OFF();
    prepare(driver_get16(input + 2), driver_get16(input + 4));
    INTERRUPTS_ON();
    interrupted_call();
    INTERRUPTS_ON(); /* lets one run that waited */
    INTERRUPTS_OFF();
    record = driver_put16(record, seen);
    record = driver_put8(record, interrupted);
    (void)driver_put16(record, later_read());
}
