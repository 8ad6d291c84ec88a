#include "button.h"

#include "envlab_parameters.h"

/* Frames in 20 ms, at least two. */
#define STEADY (ENVLAB_BRIGHTNESS_RATE_HZ / 50ul + 2ul)
#if STEADY > 255
#error "frames come too fast for the byte that counts them here"
#endif

static uint8_t settled_down;
static uint8_t frames;

void button_start(void)
{
    settled_down = 1u;
    frames = 0u;
}

uint8_t button_pressed(uint8_t down)
{
    if (down == settled_down) {
        frames = 0u;
        return 0u;
    }
    frames++;
    if (frames < STEADY) {
        return 0u;
    }
    frames = 0u;
    settled_down = down;
    return down;
}
