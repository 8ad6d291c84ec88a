/* Main loop on the machine that runs the tests: stimuli from standard input, records to standard output. */
#include <stdio.h>

#include "driver.h"

int main(void)
{
    uint8_t input[DRIVER_INPUT_BYTES];
    uint8_t record[DRIVER_RECORD_BYTES];

    driver_start();
    while (fread(input, sizeof input, 1, stdin) == 1) {
        driver_step(input, record);
        if (fwrite(record, sizeof record, 1, stdout) != 1) {
            return 1;
        }
    }
    return ferror(stdin) ? 2 : 0;
}
