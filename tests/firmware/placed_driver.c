/* Puts the runtime into any state and takes one step from there.
 * With PLACED_WHOLE_STEP both halves are one call, as it is timed.
 * Stimulus: every member of the state in its order, then a reading (16 bit).
 * Record: envelope word, duty, then every member of the state in its order. */
#include "driver.h"
#include "envlab_runtime.h"

static envlab_state state;

void driver_start(void)
{
    envlab_start(&state);
}

static const uint8_t *place(const uint8_t *input)
{
    uint16_t *const words[] = {&state.sum_low, &state.sum_high, &state.zero, &state.zero_limit,
                               &state.highest, &state.zero_left};
    uint8_t *const bytes[] = {&state.envelope_low, &state.zero_low, &state.unlearnt, &state.countdown,
                              &state.judge_left, &state.patience, &state.full};
    uint16_t *const later[] = {&state.window, &state.aim, &state.peak, &state.peak_before,
                               &state.noise, &state.gate, &state.mute, &state.fade};
    uint8_t n;

    state.envelope = driver_get32(input);
    input += 4;
    for (n = 0u; n < sizeof words / sizeof words[0]; n++, input += 2) {
        *words[n] = driver_get16(input);
    }
    for (n = 0u; n < sizeof bytes / sizeof bytes[0]; n++) {
        *bytes[n] = *input++;
    }
    for (n = 0u; n < sizeof later / sizeof later[0]; n++, input += 2) {
        *later[n] = driver_get16(input);
    }
    return input;
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    const uint16_t reading = driver_get16(place(input));
#ifdef PLACED_WHOLE_STEP
    const uint16_t duty = envlab_step(&state, reading);

    record = driver_put16(record, (uint16_t)(state.envelope >> 16));
    record = driver_put16(record, duty);
#else
    const uint16_t envelope = envlab_follow(&state, reading);

    record = driver_put16(record, envelope);
    record = driver_put16(record, envlab_brightness(&state, envelope));
#endif
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
