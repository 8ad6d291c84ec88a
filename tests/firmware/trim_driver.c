/* One board's trim. Stimulus: envelope (16 bit). Record: envelope behind the trim, zero at start, where its
 * rise ends, what envlab_brightness's state begins with (16 bit each). */
#include "driver.h"
#include "envlab_trim_0007.h"

static envlab_state state;

void driver_start(void)
{
    uint8_t *byte = (uint8_t *)&state;
    uint16_t left;

    /* Memory is not always zero at power-up. */
    for (left = (uint16_t)sizeof state; left != 0u; left--) {
        *byte++ = 0xA5u;
    }
    envlab_trim_start(&state);
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    record = driver_put16(record, envlab_trim(driver_get16(input)));
    record = driver_put16(record, state.zero);
    record = driver_put16(record, state.zero_limit);
    (void)driver_put16(record, state.window);
}
