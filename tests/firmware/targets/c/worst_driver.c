/* One call from any state. Stimulus: all bytes of the state, and a word. Record: cycles of the call (32 bit),
 * bytes of the state (8 bit).
 * TIMED_CALL(state, word) is what is timed, a function of STATE_TYPE and a word. */
#include "driver.h"
#include TIMED_HEADER

static STATE_TYPE state;
volatile uint32_t driver_cycles;

void driver_start(void)
{
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    uint8_t *byte = (uint8_t *)&state;
    uint8_t left;

    for (left = sizeof state; left != 0u; left--) {
        *byte++ = *input++;
    }
    driver_cycles = 0u;
    (void)TIMED_CALL(&state, driver_get16(input));
    record = driver_put32(record, driver_cycles);
    (void)driver_put8(record, (uint8_t)sizeof state);
}
