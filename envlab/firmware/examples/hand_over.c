#include "hand_over.h"

/* Four places for the word: two pairs of two. The writer keeps off the pair that the reader has said it is
 * reading, and within a pair off the place that was written last; so no place is ever written while it is
 * read. The four bytes that steer this are each moved in one piece by every machine. After [Simpson1990]. */
static volatile uint16_t places[2][2];
static volatile uint8_t newest_place[2];
static volatile uint8_t newest_pair;
static volatile uint8_t pair_in_use;
static volatile uint8_t arrived;

#ifndef HAND_OVER_BARRIER
#if defined(__GNUC__) && (defined(__x86_64__) || defined(__i386__) || defined(__aarch64__) \
    || defined(__riscv) || defined(__XTENSA__) || (defined(__ARM_ARCH) && __ARM_ARCH >= 6))
#define HAND_OVER_BARRIER() __sync_synchronize()
#else
#define HAND_OVER_BARRIER() ((void)0)
#endif
#endif

void hand_over_start(void)
{
    places[0][0] = 0u;
    newest_place[0] = 0u;
    newest_pair = 0u;
    pair_in_use = 0u;
    arrived = 0u;
    HAND_OVER_BARRIER();
}

void hand_over_write(uint16_t word)
{
    uint8_t pair = pair_in_use ^ 1u;
    uint8_t place = newest_place[pair] ^ 1u;

    places[pair][place] = word;
    HAND_OVER_BARRIER();
    newest_place[pair] = place;
    HAND_OVER_BARRIER();
    newest_pair = pair;
    arrived = 1u;
    HAND_OVER_BARRIER();
}

uint16_t hand_over_read(void)
{
    uint8_t pair = newest_pair;
    uint8_t place;

    pair_in_use = pair;
    HAND_OVER_BARRIER();
    place = newest_place[pair];
    HAND_OVER_BARRIER();
    return places[pair][place];
}

uint8_t hand_over_arrived(void)
{
    /* Cleared only where it was set: a word that comes between the two lines is told of next time. */
    if (arrived == 0u) {
        return 0u;
    }
    arrived = 0u;
    return 1u;
}
