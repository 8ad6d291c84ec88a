/* Steps the runtime and hands over everything it knows after each step.
 * Stimulus: reading (16 bit), offset step to choose before it (8 bit, 255 for none).
 * Record: envelope word, duty, then the state: envelope (32), window, noise, gate (16), envelope_low,
 * countdown (8). */
#include "driver.h"
#include "envlab_runtime.h"

static envlab_state state;

void driver_start(void)
{
    uint8_t *byte = (uint8_t *)&state;
    uint8_t left;

    /* Memory is not always zero at power-up: envlab_start must set everything itself. */
    for (left = sizeof state; left != 0u; left--) {
        *byte++ = 0xA5u;
    }
    envlab_start(&state);
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    uint16_t envelope;

    if (input[2] != 255u) {
        envlab_choose_offset(&state, input[2]);
    }
    envelope = envlab_follow(&state, driver_get16(input));
    record = driver_put16(record, envelope);
    record = driver_put16(record, envlab_brightness(&state, envelope));
    record = driver_put32(record, state.envelope);
    record = driver_put16(record, state.window);
    record = driver_put16(record, state.noise);
    record = driver_put16(record, state.gate);
    record = driver_put8(record, state.envelope_low);
    (void)driver_put8(record, state.countdown);
}
