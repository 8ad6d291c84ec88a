/* Main loop of a driver on the machine that builds it: stimuli on standard input, records on standard output. */
#include "driver.h"

#include <stdio.h>

int main(void)
{
    static uint8_t input[DRIVER_INPUT_BYTES];
    static uint8_t record[DRIVER_RECORD_BYTES];

    driver_start();
    while (fread(input, 1, sizeof input, stdin) == sizeof input) {
        driver_step(input, record);
        if (fwrite(record, 1, sizeof record, stdout) != sizeof record) {
            return 1;
        }
    }
    return 0;
}
