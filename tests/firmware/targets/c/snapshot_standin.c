/* Three ways to hand one 16-bit word from an interrupt to the main loop.
 *
 * SNAPSHOT_WAY 0: the reader masks interrupts for the two instructions that an 8-bit machine needs.
 * SNAPSHOT_WAY 1: the reader trusts one C assignment, which is one instruction on 16 and 32 bit machines only.
 * SNAPSHOT_WAY 2: the word is two bytes, which no machine reads at once.
 */
#include "snapshot_case.h"

#if SNAPSHOT_WAY == 2
static volatile uint8_t low, high;

void snapshot_write(uint16_t value)
{
    low = (uint8_t)(value & 0xFFu);
    high = (uint8_t)(value >> 8);
}

uint16_t snapshot_read(void)
{
    const uint8_t first = low;
    return (uint16_t)(first | (uint16_t)((uint16_t)high << 8));
}
#else
static volatile uint16_t word;

void snapshot_write(uint16_t value)
{
    word = value;
}

uint16_t snapshot_read(void)
{
#if SNAPSHOT_WAY == 0 && defined(__AVR__)
    uint16_t value;
    const uint8_t status = SREG;
    cli();
    value = word;
    SREG = status;
    return value;
#else
    return word;
#endif
}
#endif
