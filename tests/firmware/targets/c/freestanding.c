/* What a compiler may call in place of a loop, for machines that run without a C library. */
#include <stddef.h>
#include <stdint.h>

void *memcpy(void *to, const void *from, size_t bytes);
void *memset(void *to, int value, size_t bytes);

void *memcpy(void *to, const void *from, size_t bytes)
{
    volatile uint8_t *out = to;
    const uint8_t *in = from;
    while (bytes-- != 0u) {
        *out++ = *in++;
    }
    return to;
}

void *memset(void *to, int value, size_t bytes)
{
    volatile uint8_t *out = to;
    while (bytes-- != 0u) {
        *out++ = (uint8_t)value;
    }
    return to;
}
