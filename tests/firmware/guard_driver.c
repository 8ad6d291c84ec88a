/* Steps the flash guard and hands over everything it knows after each frame.
 * Stimulus: duty (16 bit). Record: duty to show (16), then the state: places, dates (8 of 8 bit each), low,
 * flip (16), cell, now, first, next, phase (8). */
#include "driver.h"
#include "envlab_guard.h"

static envlab_guard_state state;

void driver_start(void)
{
    uint8_t *byte = (uint8_t *)&state;
    uint8_t left;

    /* Memory is not always zero at power-up: envlab_guard_start must set everything itself. */
    for (left = sizeof state; left != 0u; left--) {
        *byte++ = 0xA5u;
    }
    envlab_guard_start(&state);
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    uint8_t n;

    record = driver_put16(record, envlab_guard(&state, driver_get16(input)));
    for (n = 0u; n < ENVLAB_GUARD_ROOM; n++) {
        record = driver_put8(record, state.left[n]);
    }
    for (n = 0u; n < ENVLAB_GUARD_ROOM; n++) {
        record = driver_put8(record, state.stamp[n]);
    }
    record = driver_put16(record, state.low);
    record = driver_put16(record, state.flip);
    record = driver_put8(record, state.cell);
    record = driver_put8(record, state.now);
    record = driver_put8(record, state.first);
    record = driver_put8(record, state.next);
    (void)driver_put8(record, state.phase);
}
