#include "lantern.h"

#include "board.h"
#include "envlab_frame.h"
#include "envlab_rom.h"
#include "envlab_runtime.h"

/* Linear light, 65535 is full: warm white, amber and a deep red glow, over and over along the yoke. */
#define COLOURS 3u
static const uint16_t colours[COLOURS * LANTERN_CHANNELS] ENVLAB_ROM = {
    65535u, 38000u, 14000u,
    65535u, 21000u, 900u,
    65535u, 3000u, 0u
};

static uint16_t channel(uint16_t duty, uint8_t place)
{
    return envlab_scale(duty, ENVLAB_ROM_U16(&colours[place]));
}

/* Two passes over the colours instead of a buffer of words: first the sum, then the bytes. */
void lantern_show(uint16_t duty)
{
    static uint8_t bytes[LANTERN_PIXELS * LANTERN_CHANNELS];
    uint32_t total = 0u;
    uint16_t factor;
    uint8_t place = 0u;
    uint8_t n;

    for (n = 0u; n < sizeof bytes; n++) {
        total += channel(duty, place);
        place = (place + 1u < COLOURS * LANTERN_CHANNELS) ? (uint8_t)(place + 1u) : 0u;
    }
    factor = envlab_frame_factor(total);
    place = 0u;
    for (n = 0u; n < sizeof bytes; n++) {
        bytes[n] = envlab_byte(envlab_scale(channel(duty, place), factor));
        place = (place + 1u < COLOURS * LANTERN_CHANNELS) ? (uint8_t)(place + 1u) : 0u;
    }
    board_show(bytes, sizeof bytes);
}
