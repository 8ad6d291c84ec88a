/* Main loop on the 16-bit machine, in batches. The debugger resets the processor whenever it loads or saves
 * memory, but keeps the memory: it fills `driver_batch`, runs from reset to the breakpoint on
 * `driver_pause` and saves `driver_records`. The reset code clears .bss for the first batch only. */
#include "driver.h"

struct batch {
    uint16_t first;
    uint16_t steps;
    uint8_t input[DRIVER_BATCH_STEPS * DRIVER_INPUT_BYTES];
};

__attribute__((section(".noinit"))) volatile struct batch driver_batch;
__attribute__((section(".noinit"))) volatile uint8_t driver_records[DRIVER_BATCH_STEPS * DRIVER_RECORD_BYTES];

DRIVER_KEEP void driver_pause(void)
{
    __asm__ volatile("");
}

int main(void)
{
    const uint8_t *input = (const uint8_t *)driver_batch.input;
    uint8_t *record = (uint8_t *)driver_records;
    uint16_t left;

    if (driver_batch.first != 0u) {
        driver_start();
    }
    for (left = driver_batch.steps; left != 0u; left--) {
        driver_step(input, record);
        input += DRIVER_INPUT_BYTES;
        record += DRIVER_RECORD_BYTES;
    }
    for (;;) {
        driver_pause();
    }
}
