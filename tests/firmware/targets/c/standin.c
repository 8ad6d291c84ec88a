/* A follower of 16.16 bits, small enough to be read as right, and four slips that look right.
 *
 * Each slip is harmless where int has 32 bits, warns nobody at -Wall -Wextra, and passes the sanitizers;
 * where int has 16 bits it gives another number. They prove that the machines are worth running.
 */
#include "driver.h"

#ifndef STANDIN_SLIP
#define STANDIN_SLIP 0
#endif

static uint32_t state;
static uint16_t peak;

DRIVER_KEEP uint16_t standin_follow(uint16_t target, uint16_t factor)
{
    const uint16_t now = (uint16_t)(state >> 16);
    uint16_t middle;

    if (target >= now) {
#if STANDIN_SLIP == 1
        /* there, the product of two words keeps its low word only */
        state += (uint16_t)(target - now) * factor;
#else
        state += (uint32_t)(uint16_t)(target - now) * factor;
#endif
    } else {
        state -= (uint32_t)(uint16_t)(now - target) * factor;
    }
#if STANDIN_SLIP == 2
    /* there, the sum loses its carry before it is halved */
    middle = (uint16_t)((now + target) >> 1);
#else
    middle = (uint16_t)(((uint32_t)now + target) >> 1);
#endif
#if STANDIN_SLIP == 3
    /* there, a difference of unsigned words is never negative */
    if (middle - peak > 0) {
#else
    if (middle > peak) {
#endif
        peak = middle;
    }
#if STANDIN_SLIP == 4
    /* there, adding a half overflows the word near full scale */
    return (uint16_t)((middle + 128u) >> 8);
#else
    return (uint16_t)(((uint32_t)middle + 128u) >> 8);
#endif
}

void driver_start(void)
{
    state = 0u;
    peak = 0u;
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    const uint16_t out = standin_follow(driver_get16(input), driver_get16(input + 2));

    record = driver_put32(record, state);
    record = driver_put16(record, peak);
    (void)driver_put16(record, out);
}
