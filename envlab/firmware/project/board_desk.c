/* No board at all: an invented drum beat in the place of the ADC, bars of text in the place of the pixels.
 * It is here so that the folder builds and runs at once; your board's file takes its place. */
#include "board.h"

#include <stdio.h>

#include "envlab_parameters.h"

#define SECONDS 8ul
#define STROKE 40000u /* reading at a stroke, above the quiescent one */
#define BAR_MOST 60ul

static void (*interrupt)(void);
static uint32_t reading_number;
static uint32_t held;

/* Two strokes a second after three seconds of quiet, each held and released as the detector would. */
static void play(void)
{
    reading_number++;
    held -= held / ((uint32_t)ENVLAB_ADC_RATE_HZ / 8u + 1u);
    if (reading_number > 3ul * ENVLAB_ADC_RATE_HZ && reading_number % (ENVLAB_ADC_RATE_HZ / 2ul) == 0ul) {
        held = STROKE;
    }
}

void board_start(void (*every_reading)(void))
{
    interrupt = every_reading;
}

uint16_t board_reading(void)
{
    uint32_t reading = (uint32_t)ENVLAB_ZERO_START + held;
    uint32_t count = (uint32_t)1u << ENVLAB_ADC_SHIFT;

    return (uint16_t)(reading - reading % count);
}

uint8_t board_button(void)
{
    return 0u;
}

void board_show(const envlab_code *codes, uint16_t count)
{
    const unsigned long full = (1ul << ENVLAB_FRAME_BITS) - 1ul;
    unsigned long sum = 0ul;
    unsigned long bar;
    uint16_t n;

    for (n = 0u; n < count; n++) {
        sum += codes[n];
    }
    bar = BAR_MOST * (sum / count) / full;
    printf("%8lu |", sum);
    while (bar != 0ul) {
        putchar('#');
        bar--;
    }
    putchar('\n');
}

void board_alarm(uint8_t why)
{
    printf("The lights stay dark; envlab_boot_check says %u.\n", why);
}

uint8_t board_wait(void)
{
    if (reading_number >= SECONDS * ENVLAB_ADC_RATE_HZ) {
        return 0u;
    }
    play();
    if (interrupt != 0) {
        interrupt();
    }
    return 1u;
}
