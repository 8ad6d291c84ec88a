#include "envlab_log.h"

#if (ENVLAB_LOG_BLOCKS < 2) || (ENVLAB_LOG_BLOCKS > 128) || (ENVLAB_LOG_BLOCKS & (ENVLAB_LOG_BLOCKS - 1))
#error "ENVLAB_LOG_BLOCKS is a power of two from 2 to 128"
#endif

#define PLACE(count) ((uint8_t)((count) & (ENVLAB_LOG_BLOCKS - 1u)))
#define HEADER 0x48u
#define READINGS 0x52u
#define HEADER_BYTES 12u
#define READINGS_BYTES (2u + 2u * ENVLAB_LOG_READINGS)
#define BLOCKS_A_HEADER 32u

void envlab_log_start(envlab_log *log)
{
    log->written = 0u;
    log->sent = 0u;
    log->left_out = 0u;
    log->filled = 0u;
    log->no_room = 0u;
    log->block = 0u;
    log->crc = 0u;
    log->place = 0u;
    log->kind = HEADER;
    log->until_header = 0u;
}

void envlab_log_take(envlab_log *log, uint16_t reading)
{
    uint8_t place = PLACE(log->written);

    if (log->filled == 0u) {
        log->no_room = ((uint8_t)(log->written - log->sent) >= ENVLAB_LOG_BLOCKS) ? 1u : 0u;
        if (log->no_room != 0u) {
            log->left_out++;
        } else {
            log->number[place] = log->block;
        }
    }
    if (log->no_room == 0u) {
        log->reading[place][log->filled] = reading;
    }
    log->filled++;
    if (log->filled == ENVLAB_LOG_READINGS) {
        log->filled = 0u;
        log->block++;
        if (log->no_room == 0u) {
            log->written++;
        }
    }
}

static uint8_t of_header(const envlab_log *log, uint8_t at)
{
    switch (at) {
    case 0u:
        return 1u;
    case 1u:
        return (uint8_t)(16u - ENVLAB_ADC_SHIFT);
    case 2u:
        return ENVLAB_LOG_READINGS;
    case 3u:
        return log->left_out;
    default:
        break;
    }
    if (at < 8u) {
        return (uint8_t)((ENVLAB_ADC_RATE_MILLIHZ >> (8u * (at - 4u))) & 0xFFu);
    }
    return (uint8_t)((ENVLAB_MARK >> (8u * (at - 8u))) & 0xFFu);
}

static uint8_t of_block(const envlab_log *log, uint8_t at)
{
    uint8_t place = PLACE(log->sent);
    uint16_t word = (at < 2u) ? log->number[place] : log->reading[place][(uint8_t)((at - 2u) >> 1)];

    return (uint8_t)(((at & 1u) != 0u) ? (uint16_t)(word >> 8) : (uint16_t)(word & 0xFFu));
}

/* One byte of CRC-16 without a table and without a loop over bits. */
static uint16_t crc_with(uint16_t crc, uint8_t byte)
{
    uint8_t x = (uint8_t)((crc >> 8) ^ byte);

    x = (uint8_t)(x ^ (x >> 4));
    return (uint16_t)((uint16_t)(crc << 8) ^ (uint16_t)((uint16_t)x << 12) ^ (uint16_t)((uint16_t)x << 5) ^ x);
}

static void end_frame(envlab_log *log)
{
    log->place = 0u;
    if (log->kind == HEADER) {
        log->until_header = BLOCKS_A_HEADER;
    } else {
        log->until_header--;
        log->sent++;
    }
}

uint8_t envlab_log_byte(envlab_log *log, uint8_t *byte)
{
    uint8_t content = HEADER_BYTES;
    uint8_t at;

    if (log->place == 0u) {
        if ((log->until_header != 0u) && (log->written == log->sent)) {
            return 0u;
        }
        log->kind = (log->until_header == 0u) ? HEADER : READINGS;
        log->crc = 0xFFFFu;
        log->place = 1u;
        *byte = 0xE5u;
        return 1u;
    }
    if (log->kind == READINGS) {
        content = READINGS_BYTES;
    }
    at = log->place;
    log->place++;
    if (at == 1u) {
        *byte = 0x1Au;
        return 1u;
    }
    if (at == content + 3u) {
        *byte = (uint8_t)(log->crc & 0xFFu);
        return 1u;
    }
    if (at > content + 3u) {
        *byte = (uint8_t)(log->crc >> 8);
        end_frame(log);
        return 1u;
    }
    if (at == 2u) {
        *byte = log->kind;
    } else if (log->kind == HEADER) {
        *byte = of_header(log, (uint8_t)(at - 3u));
    } else {
        *byte = of_block(log, (uint8_t)(at - 3u));
    }
    log->crc = crc_with(log->crc, *byte);
    return 1u;
}
