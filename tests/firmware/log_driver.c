/* Takes readings into the logger and pulls bytes out of it, in any rhythm.
 * Stimulus: how many bytes to pull afterwards (8 bit, 0 to 7), reading (16). Record: how many came (8), the
 * bytes (7 of 8, zeros behind them), blocks left out so far (8). */
#include "driver.h"
#include "envlab_log.h"

static envlab_log log_state;

void driver_start(void)
{
    uint8_t *byte = (uint8_t *)&log_state;
    uint16_t left;

    /* Memory is not always zero at power-up. */
    for (left = (uint16_t)sizeof log_state; left != 0u; left--) {
        *byte++ = 0xA5u;
    }
    envlab_log_start(&log_state);
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    uint8_t came = 0u;
    uint8_t byte[7] = {0u, 0u, 0u, 0u, 0u, 0u, 0u};
    uint8_t n;

    envlab_log_take(&log_state, driver_get16(input + 1));
    for (n = 0u; n < (uint8_t)(input[0] & 7u); n++) {
        if (envlab_log_byte(&log_state, &byte[came]) != 0u) {
            came++;
        }
    }
    record = driver_put8(record, came);
    for (n = 0u; n < 7u; n++) {
        record = driver_put8(record, byte[n]);
    }
    (void)driver_put8(record, log_state.left_out);
}
