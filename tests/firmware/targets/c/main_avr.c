/* Main loop on the 8-bit machine. A write of 1 to DRIVER_PORT asks the simulator for a stimulus, a write
 * of 2 hands over a record; the simulator reads and writes the two buffers itself. */
#include "driver.h"

#define PORT (*(volatile uint8_t *)DRIVER_PORT)

volatile uint8_t driver_input[DRIVER_INPUT_BYTES];
volatile uint8_t driver_record[DRIVER_RECORD_BYTES];

int main(void)
{
    driver_start();
    for (;;) {
        PORT = 1;
        driver_step((const uint8_t *)driver_input, (uint8_t *)driver_record);
        PORT = 2;
    }
}
