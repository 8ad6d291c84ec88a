/* Steps the runtime and hands over everything it knows after each step.
 * Stimulus: reading (16 bit), offset step to choose before it (8 bit, 255 for none).
 * Record: envelope word, duty, then every member of the state in its order. */
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
    record = driver_put16(record, state.sum_low);
    record = driver_put16(record, state.sum_high);
    record = driver_put16(record, state.zero);
    record = driver_put16(record, state.zero_limit);
    record = driver_put16(record, state.highest);
    record = driver_put16(record, state.zero_left);
    record = driver_put8(record, state.envelope_low);
    record = driver_put8(record, state.zero_low);
    record = driver_put8(record, state.unlearnt);
    record = driver_put8(record, state.countdown);
    record = driver_put8(record, state.judge_left);
    record = driver_put8(record, state.patience);
    record = driver_put8(record, state.full);
    record = driver_put16(record, state.window);
    record = driver_put16(record, state.aim);
    record = driver_put16(record, state.peak);
    record = driver_put16(record, state.peak_before);
    record = driver_put16(record, state.noise);
    record = driver_put16(record, state.gate);
    record = driver_put16(record, state.mute);
    (void)driver_put16(record, state.fade);
}
