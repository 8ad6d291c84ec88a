#include "lantern.h"

#include "board.h"
#include "envlab_frame.h"
#include "envlab_rom.h"
#include "envlab_runtime.h"
#if ENVLAB_FRAME_DITHER_BITS != 0
#include "envlab_dither.h"
#endif
#ifdef ENVLAB_LAYOUT_RANKS
#include "envlab_layout.h"
#endif
#if defined(ENVLAB_LAYOUT_RANKS) && ENVLAB_LAYOUT_STEP
#define TRAVELS
#endif

/* Linear light, 65535 is full, one row a pixel, over and over along the chain: warm white, amber and a deep
 * red glow. Pixels with other than three or four channels have them all at full: write your own rows. They
 * travel with a picture that travels. The flash guard allows for these colours; if you write other ones at
 * 8 bit, or with a layout of light, judge them anew, with
 * envlab.digital.guard.picture_guard.picture_slack_codes. Red flashes that come from changes of colour the
 * guard does not see. */
#if ENVLAB_FRAME_CHANNELS == 3
#define COLOURS 3u
static const uint16_t colours[COLOURS * LANTERN_CHANNELS] ENVLAB_ROM = {
    65535u, 38000u, 14000u,
    65535u, 21000u, 900u,
    65535u, 3000u, 0u
};
#elif ENVLAB_FRAME_CHANNELS == 4
#define COLOURS 3u
static const uint16_t colours[COLOURS * LANTERN_CHANNELS] ENVLAB_ROM = {
    32000u, 9000u, 0u, 65535u,
    65535u, 21000u, 900u, 6000u,
    65535u, 3000u, 0u, 0u
};
#endif

static envlab_frame frame;
static uint16_t frame_duty;
#ifdef ENVLAB_LAYOUT_RANKS
static uint16_t pixel_duty;
#define DUTY pixel_duty
#else
#define DUTY frame_duty
#endif
#ifdef TRAVELS
static envlab_layout_state travel;
#endif
#if ENVLAB_FRAME_DITHER_BITS != 0
static uint8_t phase;
#endif

static uint16_t channel(uint8_t place)
{
#ifdef COLOURS
    return envlab_scale(DUTY, ENVLAB_ROM_U16(&colours[place]));
#else
    (void)place;
    return DUTY;
#endif
}

static uint8_t following(uint8_t place)
{
#ifdef COLOURS
    if (place + 1u < COLOURS * LANTERN_CHANNELS) {
        return (uint8_t)(place + 1u);
    }
    return 0u;
#else
    return place;
#endif
}

static uint16_t threshold_of(uint16_t pixel)
{
#if ENVLAB_FRAME_DITHER_BITS != 0
    return envlab_dither_threshold(phase, (uint8_t)(pixel & 0xFFu));
#else
    (void)pixel;
    return ENVLAB_FRAME_NEAREST;
#endif
}

/* What the layout of light gives a pixel of what all would have. */
static void begin_pixel(uint16_t pixel)
{
#ifdef ENVLAB_LAYOUT_RANKS
    pixel_duty = envlab_layout_duty(frame_duty, pixel);
#else
    (void)pixel;
#endif
}

/* The second pass over the channels: the codes go out. A picture that travels is written from where it stands. */
static void send(void)
{
    static envlab_code codes[LANTERN_PIXELS * LANTERN_CHANNELS];
#ifdef TRAVELS
    envlab_code *code = &codes[(uint16_t)(travel.place * LANTERN_CHANNELS)];
#else
    envlab_code *code = codes;
#endif
    uint8_t place = 0u;
    uint16_t pixel;
    uint8_t n;

#if ENVLAB_FRAME_DITHER_BITS != 0
    envlab_dither_refresh(&phase);
#endif
    for (pixel = 0u; pixel < LANTERN_PIXELS; pixel++) {
        uint16_t threshold = threshold_of(pixel);

        begin_pixel(pixel);
        for (n = 0u; n < LANTERN_CHANNELS; n++) {
            *code++ = envlab_frame_code(&frame, channel(place), threshold);
            place = following(place);
        }
#ifdef TRAVELS
        if (code == &codes[LANTERN_PIXELS * LANTERN_CHANNELS]) {
            code = codes;
        }
#endif
    }
    board_show(codes, LANTERN_PIXELS * LANTERN_CHANNELS);
}

/* The first pass needs no buffer: the colours are gone through again for the codes. */
static void add_up(uint16_t duty)
{
    uint8_t place = 0u;
    uint16_t n;
#ifdef ENVLAB_LAYOUT_RANKS
    uint8_t left = 0u;
    uint16_t pixel = 0u;
#endif

    frame_duty = duty;
    envlab_frame_open(&frame);
    for (n = 0u; n < LANTERN_PIXELS * LANTERN_CHANNELS; n++) {
#ifdef ENVLAB_LAYOUT_RANKS
        if (left == 0u) {
            left = LANTERN_CHANNELS;
            begin_pixel(pixel++);
        }
        left--;
#endif
        envlab_frame_add(&frame, channel(place));
        place = following(place);
    }
    envlab_frame_close(&frame);
}

uint16_t lantern_most(void)
{
    uint16_t most = 0u;
    uint16_t bit;

    for (bit = 0x8000u; bit != 0u; bit = (uint16_t)(bit >> 1)) {
        add_up((uint16_t)(most | bit));
        if (frame.limited == 0u) {
            most = (uint16_t)(most | bit);
        }
    }
    return most;
}

void lantern_show(uint16_t duty)
{
#ifdef TRAVELS
    envlab_layout_next(&travel);
#endif
    add_up(duty);
    send();
}

void lantern_refresh(void)
{
    envlab_frame_again(&frame);
    send();
}
