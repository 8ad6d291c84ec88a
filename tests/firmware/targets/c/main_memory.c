/* Main loop inside an emulator that lends a large memory: it starts at driver_main with the number of
 * steps and the addresses of stimuli and records in the argument registers. */
#include "driver.h"

void driver_main(uint32_t steps, const uint8_t *input, uint8_t *record);

void driver_main(uint32_t steps, const uint8_t *input, uint8_t *record)
{
    driver_start();
    for (; steps != 0u; steps--) {
        driver_step(input, record);
        input += DRIVER_INPUT_BYTES;
        record += DRIVER_RECORD_BYTES;
    }
}
