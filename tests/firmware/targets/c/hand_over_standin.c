/* Ways to hand one 16-bit word over that are right in some cases only.
 *
 * HAND_OVER_WAY 0: the reader masks interrupts for the two instructions that an 8-bit machine needs.
 * HAND_OVER_WAY 1: the reader trusts one C assignment, one instruction on 16 and 32 bit machines only.
 * HAND_OVER_WAY 2: the word is two bytes, which no machine reads at once.
 * HAND_OVER_WAY 3: the reader reads until two reads in a row agree, which they also do inside a write.
 * HAND_OVER_WAY 4: two places and a byte that tells which is whole; two writes in a row reach the reader.
 */
#include "hand_over.h"

void hand_over_start(void)
{
}

#if HAND_OVER_WAY == 2
static volatile uint8_t low, high;

void hand_over_write(uint16_t word)
{
    low = (uint8_t)(word & 0xFFu);
    high = (uint8_t)(word >> 8);
}

uint16_t hand_over_read(void)
{
    const uint8_t first = low;
    return (uint16_t)(first | (uint16_t)((uint16_t)high << 8));
}
#elif HAND_OVER_WAY == 4
static volatile uint8_t bytes[2][2];
static volatile uint8_t newest;

void hand_over_write(uint16_t word)
{
    const uint8_t place = newest ^ 1u;
    bytes[place][0] = (uint8_t)(word & 0xFFu);
    bytes[place][1] = (uint8_t)(word >> 8);
    newest = place;
}

uint16_t hand_over_read(void)
{
    const uint8_t place = newest;
    const uint8_t first = bytes[place][0];
    return (uint16_t)(first | (uint16_t)((uint16_t)bytes[place][1] << 8));
}
#else
#if HAND_OVER_WAY == 0 && defined(__AVR__)
#include <avr/interrupt.h>
#include <avr/io.h>
#endif
static volatile uint16_t shared;

void hand_over_write(uint16_t word)
{
    shared = word;
}

uint16_t hand_over_read(void)
{
#if HAND_OVER_WAY == 0 && defined(__AVR__)
    uint16_t word;
    const uint8_t status = SREG;
    cli();
    word = shared;
    SREG = status;
    return word;
#elif HAND_OVER_WAY == 3
    uint16_t first = shared;
    uint16_t second = shared;
    while (first != second) {
        first = second;
        second = shared;
    }
    return first;
#else
    return shared;
#endif
}
#endif
