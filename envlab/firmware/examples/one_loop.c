/* No operating system: an interrupt hears every reading, the loop shows the frames. */
#include "board.h"
#include "envlab_parameters.h"
#include "lights.h"

/* A frame (or its refresh) is due whenever the readings have added up to one, also where the two rates do
 * not divide: what is left over counts for the next frame. */
#define ADDED_BY_A_READING ((uint32_t)(ENVLAB_BRIGHTNESS_RATE_MILLIHZ * LIGHTS_REFRESHES))
#if ENVLAB_BRIGHTNESS_RATE_MILLIHZ * LIGHTS_REFRESHES > ENVLAB_ADC_RATE_MILLIHZ
#error "the pixels are written more often than the ADC reads: call lights_show from a timer of its own"
#endif
#define ONE_FRAME ((uint32_t)ENVLAB_ADC_RATE_MILLIHZ)

static volatile uint8_t frame_due;
static uint32_t since_frame;

static void every_reading(void)
{
    lights_hear(board_reading());
    since_frame += ADDED_BY_A_READING;
    if (since_frame >= ONE_FRAME) {
        since_frame -= ONE_FRAME;
        frame_due = 1u;
    }
}

int main(void)
{
    uint8_t why = lights_start();

    if (why != 0u) {
        board_alarm(why);
        return 1;
    }
    frame_due = 0u;
    since_frame = 0u;
    board_start(every_reading);
    while (board_wait() != 0u) {
        if (frame_due != 0u) {
            frame_due = 0u;
            lights_show();
        }
    }
    return 0;
}
