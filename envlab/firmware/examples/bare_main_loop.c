/* No operating system: an interrupt follows the sound, the main loop makes the light.
 *
 * The interrupt and the loop each keep a state of their own, so that neither ever meets the other half way
 * through; what passes between them is one word. */
#include "board.h"
#include "envlab_parameters.h"
#include "envlab_runtime.h"
#include "lantern.h"
#include "snapshot.h"

#define READINGS_PER_FRAME (ENVLAB_ADC_RATE_HZ / ENVLAB_BRIGHTNESS_RATE_HZ)

static envlab_state ear;
static envlab_state eye;
static volatile uint8_t frame_due;

static void every_reading(void)
{
    static uint8_t left = READINGS_PER_FRAME;

    snapshot_write(envlab_follow(&ear, board_reading()));
    left--;
    if (left == 0u) {
        left = READINGS_PER_FRAME;
        frame_due = 1u;
    }
}

int main(void)
{
    if (envlab_table_is_whole() == 0u) {
        board_alarm();
        return 1;
    }
    envlab_start(&ear);
    envlab_start(&eye);
    board_start(every_reading);
    while (board_wait() != 0u) {
        if (frame_due != 0u) {
            frame_due = 0u;
            lantern_show(envlab_brightness(&eye, snapshot_read()));
        }
    }
    return 0;
}
