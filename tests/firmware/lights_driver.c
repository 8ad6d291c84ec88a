/* The example's two halves, called as a board calls them; for their cost on the 8-bit machine.
 * Stimulus: a reading (16 bit). Record: what the pixels were sent last, summed (16 bit). */
#include "board.h"
#include "driver.h"
#include "lights.h"

static uint16_t sum;

void board_start(void (*every_reading)(void))
{
    (void)every_reading;
}

uint16_t board_reading(void)
{
    return 0u;
}

uint8_t board_button(void)
{
    return 0u;
}

void board_show(const envlab_code *codes, uint16_t count)
{
    sum = (uint16_t)(codes[0] + codes[count - 1u]);
}

void board_alarm(uint8_t why)
{
    (void)why;
}

uint8_t board_wait(void)
{
    return 0u;
}

void driver_start(void)
{
    (void)lights_start();
}

void driver_step(const uint8_t *input, uint8_t *record)
{
    lights_hear(driver_get16(input));
    lights_show();
    (void)driver_put16(record, sum);
}
