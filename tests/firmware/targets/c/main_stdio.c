/* Main loop on the machine that runs the tests: stimuli from standard input, records to standard output. */
#include <stdio.h>

#ifdef _WIN32
#include <fcntl.h>
#include <io.h>
#endif

#include "driver.h"

int main(void)
{
    uint8_t input[DRIVER_INPUT_BYTES];
    uint8_t record[DRIVER_RECORD_BYTES];

#ifdef _WIN32
    (void)_setmode(_fileno(stdin), _O_BINARY);
    (void)_setmode(_fileno(stdout), _O_BINARY);
#endif
    driver_start();
    while (fread(input, sizeof input, 1, stdin) == 1) {
        driver_step(input, record);
        if (fwrite(record, sizeof record, 1, stdout) != 1) {
            return 1;
        }
    }
    return ferror(stdin) ? 2 : 0;
}
