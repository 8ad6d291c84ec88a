#include "envlab_boot.h"

#include "envlab_frame.h"
#include "envlab_parameters.h"
#include "envlab_runtime.h"
#include "envlab_table.h"
#if ENVLAB_GUARD
#include "envlab_guard.h"
#endif
#ifdef ENVLAB_LAYOUT_RANKS
#include "envlab_layout.h"
#endif
#if ENVLAB_MOVING_READINGS > 1
#include "envlab_moving.h"
#endif

#ifndef ENVLAB_GOLDEN_CRC32
#error "envlab_parameters.h has no golden vectors: export the design again"
#endif

#if ENVLAB_LEVEL_INDEX
#define POSITION_OF(word) envlab_scale(word, ENVLAB_RANGE)
#else
#define POSITION_OF(word) (word)
#endif

#define CHANNELS (ENVLAB_FRAME_PIXELS * ENVLAB_FRAME_CHANNELS)

/* CRC-32 of IEEE 802.3 over the two bytes of a word, low byte first; bit by bit: slow, small, asked once. */
static uint32_t crc_with(uint32_t crc, uint16_t word)
{
    uint8_t bit;

    crc ^= word;
    for (bit = 0u; bit < 16u; bit++) {
        crc = ((crc & 1u) != 0u) ? ((crc >> 1) ^ 0xEDB88320ul) : (crc >> 1);
    }
    return crc;
}

#ifdef ENVLAB_LAYOUT_RANKS
#if ENVLAB_LAYOUT_RANKS > 256
#define RANK_OF(place) ENVLAB_ROM_U16(&envlab_layout_ranks[place])
#else
#define RANK_OF(place) ENVLAB_ROM_U8(&envlab_layout_ranks[place])
#endif

static uint8_t layout_is_whole(void)
{
    uint32_t crc = 0xFFFFFFFFul;
    uint16_t index;

    for (index = 0u; index < ENVLAB_FRAME_PIXELS; index++) {
        crc = crc_with(crc, RANK_OF(index));
    }
    for (index = 0u; index < 2u * ENVLAB_LAYOUT_RANKS; index++) {
        crc = crc_with(crc, ENVLAB_ROM_U16(&envlab_layout_rises[index]));
    }
    return (uint8_t)(crc == (uint32_t)(ENVLAB_LAYOUT_CRC32 ^ 0xFFFFFFFFul));
}
#endif

uint8_t envlab_table_is_whole(void)
{
    uint32_t crc = 0xFFFFFFFFul;
    uint16_t index;

    for (index = 0u; index < ENVLAB_TABLE_ENTRIES; index++) {
        crc = crc_with(crc, ENVLAB_ROM_U16(&envlab_table[index]));
    }
#ifdef ENVLAB_LAYOUT_RANKS
    if (layout_is_whole() == 0u) {
        return 0u;
    }
#endif
    return (uint8_t)(crc == (uint32_t)(ENVLAB_TABLE_CRC32 ^ 0xFFFFFFFFul));
}

/* A shift register of 16 bit that passes through every word but 0. */
static uint16_t next_of(uint16_t word)
{
    word = (uint16_t)(word ^ (uint16_t)(word << 7));
    word = (uint16_t)(word ^ (word >> 9));
    return (uint16_t)(word ^ (uint16_t)(word << 8));
}

#ifdef ENVLAB_LAYOUT_RANKS
/* Every place of the picture at a duty of its own, of all sizes, and at the top; a travelling one moves on. */
static uint32_t crc_with_layout(uint32_t crc, uint16_t *word)
{
    uint16_t place;
#if ENVLAB_LAYOUT_STEP
    envlab_layout_state state = {0u, 0u};
#endif

    for (place = 0u; place < ENVLAB_FRAME_PIXELS; place++) {
        *word = next_of(*word);
        crc = crc_with(crc, envlab_layout_duty((uint16_t)(*word >> (place & 3u)), place));
        crc = crc_with(crc, envlab_layout_duty(0xFFFFu, place));
#if ENVLAB_LAYOUT_STEP
        envlab_layout_next(&state);
        crc = crc_with(crc, (uint16_t)(state.place ^ state.part));
#endif
    }
    return crc;
}
#endif

/* A frame in which every channel has a duty of its own. */
static uint32_t crc_with_frame(uint32_t crc, uint16_t first)
{
    envlab_frame frame;
    uint16_t word = first;
    uint16_t n;

    envlab_frame_open(&frame);
    for (n = 0u; n < CHANNELS; n++) {
        word = next_of(word);
        envlab_frame_add(&frame, word);
    }
    envlab_frame_close(&frame);
    word = first;
    for (n = 0u; n < CHANNELS; n++) {
        word = next_of(word);
        crc = crc_with(crc, envlab_frame_code(&frame, word, ENVLAB_FRAME_NEAREST));
    }
    return crc;
}

uint8_t envlab_golden_is_right(void)
{
    envlab_state state;
#if ENVLAB_GUARD
    envlab_guard_state guard;
#endif
#if ENVLAB_MOVING_READINGS > 1
    envlab_moving_state moving;
#endif
    uint32_t crc = 0xFFFFFFFFul;
    uint16_t word = 1u;
    uint8_t n;

    envlab_start(&state);
#if ENVLAB_GUARD
    envlab_guard_start(&guard);
#endif
#if ENVLAB_MOVING_READINGS > 1
    envlab_moving_start(&moving);
#endif
    /* As if it had run for a while: what is due once in many readings is due in a few. */
    state.mute = 0u;
    state.zero_left = 16u;
    state.zero_low = 255u;
    state.sum_high = (uint16_t)(ENVLAB_ZERO_START >> (16 - ENVLAB_ZERO_BLOCK_BITS));
    state.countdown = 3u;
    state.judge_left = 1u;
    for (n = 0u; n < ENVLAB_GOLDEN_READINGS; n++) {
        /* Every fourth reading is loud, the others are of all sizes. */
        uint8_t shift = ((n & 3u) == 0u) ? 0u : (n & 15u);
        uint16_t envelope;

        word = next_of(word);
        envelope = envlab_follow(&state, (uint16_t)(word >> shift));
        crc = crc_with(crc, envelope);
        crc = crc_with(crc, envlab_brightness(&state, envelope));
        crc = crc_with(crc, envlab_look_up(POSITION_OF(word)));
        crc = crc_with(crc, envlab_scale(word, (uint16_t)(65535u - n)));
#if ENVLAB_MOVING_READINGS > 1
        crc = crc_with(crc, envlab_moving(&moving, envelope));
#endif
#if ENVLAB_GUARD
        crc = crc_with(crc, envlab_guard(&guard, ((n & 2u) == 0u) ? word : (uint16_t)0u));
#endif
    }
#ifdef ENVLAB_LAYOUT_RANKS
    crc = crc_with_layout(crc, &word);
#endif
    crc = crc_with_frame(crc, word);
    return (uint8_t)(crc == (uint32_t)(ENVLAB_GOLDEN_CRC32 ^ 0xFFFFFFFFul));
}

uint8_t envlab_boot_check(void)
{
    if (envlab_table_is_whole() == 0u) {
        return ENVLAB_BOOT_TABLE_BROKEN;
    }
    if (envlab_golden_is_right() == 0u) {
        return ENVLAB_BOOT_NUMBERS_WRONG;
    }
    return ENVLAB_BOOT_FINE;
}
