/* A reader that is interrupted by the writer. Stimulus: k, old word, new word. Record: the word that was
 * read, and 1 if the writer ran since the reader's first instruction. Each machine raises
 * the interrupt after k of the reader's instructions. */
#include "snapshot_case.h"

static uint16_t next_word;
static volatile uint8_t interrupted;

DRIVER_KEEP void snapshot_interrupt(void);

void snapshot_interrupt(void)
{
    snapshot_write(next_word);
    interrupted = 1u;
}

#if defined(__AVR__)
#define INTERRUPTS_OFF() cli()
#define INTERRUPTS_ON() __asm__ volatile("sei\n\tnop\n\tnop" ::: "memory")
#define NUMBERED_VECTOR(number) _VECTOR(number)
ISR(NUMBERED_VECTOR(DRIVER_VECTOR))
{
    snapshot_interrupt();
}
#elif defined(__MSP430__)
#define INTERRUPTS_OFF() __asm__ volatile("dint\n\tnop" ::: "memory")
#define INTERRUPTS_ON() __asm__ volatile("nop\n\teint\n\tnop" ::: "memory")
__attribute__((interrupt(8))) void driver_vector(void);

__attribute__((interrupt(8))) void driver_vector(void)
{
    snapshot_interrupt();
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
    uint16_t read;

    INTERRUPTS_OFF();
    snapshot_write(driver_get16(input + 2));
    next_word = driver_get16(input + 4);
    interrupted = 0u;
    INTERRUPTS_ON();
    read = snapshot_read();
    INTERRUPTS_ON(); /* lets a writer run that waited for the reader */
    INTERRUPTS_OFF();
    record = driver_put16(record, read);
    (void)driver_put8(record, interrupted);
}
