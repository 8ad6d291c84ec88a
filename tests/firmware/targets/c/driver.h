/* What a driver offers to the main loop of each machine.
 *
 * A driver reads one stimulus and writes one record per step; both are plain bytes, so that every
 * machine hands over the same stream whatever its word length, byte order and padding.
 * DRIVER_INPUT_BYTES and DRIVER_RECORD_BYTES come from the command line.
 */
#ifndef DRIVER_H
#define DRIVER_H

#include <stdint.h>

void driver_start(void);
void driver_step(const uint8_t *input, uint8_t *record);

/* Neither inlined nor left out, because a machine calls or times it by its name. */
#ifdef __clang__
#define DRIVER_KEEP __attribute__((noinline, used, retain))
#else
#define DRIVER_KEEP __attribute__((noinline, used))
#endif

static inline uint16_t driver_get16(const uint8_t *at)
{
    return (uint16_t)(at[0] | (uint16_t)((uint16_t)at[1] << 8));
}

static inline uint32_t driver_get32(const uint8_t *at)
{
    return (uint32_t)driver_get16(at) | ((uint32_t)driver_get16(at + 2) << 16);
}

static inline uint8_t *driver_put8(uint8_t *at, uint8_t value)
{
    at[0] = value;
    return at + 1;
}

static inline uint8_t *driver_put16(uint8_t *at, uint16_t value)
{
    at[0] = (uint8_t)(value & 0xFFu);
    at[1] = (uint8_t)(value >> 8);
    return at + 2;
}

static inline uint8_t *driver_put32(uint8_t *at, uint32_t value)
{
    return driver_put16(driver_put16(at, (uint16_t)(value & 0xFFFFu)), (uint16_t)(value >> 16));
}

#endif
