/* Main loop on the 16-bit machine, in batches: the debugger fills `driver_batch`, runs to the breakpoint
 * on `driver_pause` and saves `driver_records`. */
#include "driver.h"

struct batch {
    uint16_t steps;
    uint8_t input[DRIVER_BATCH_STEPS * DRIVER_INPUT_BYTES];
};

volatile struct batch driver_batch;
volatile uint8_t driver_records[DRIVER_BATCH_STEPS * DRIVER_RECORD_BYTES];

DRIVER_KEEP void driver_pause(void)
{
    __asm__ volatile("");
}

int main(void)
{
    driver_start();
    for (;;) {
        const uint8_t *input = (const uint8_t *)driver_batch.input;
        uint8_t *record = (uint8_t *)driver_records;
        uint16_t left;

        driver_pause();
        for (left = driver_batch.steps; left != 0u; left--) {
            driver_step(input, record);
            input += DRIVER_INPUT_BYTES;
            record += DRIVER_RECORD_BYTES;
        }
    }
}
