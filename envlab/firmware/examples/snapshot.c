#include "snapshot.h"

static volatile uint16_t shared;

void snapshot_write(uint16_t word)
{
    shared = word;
}

uint16_t snapshot_read(void)
{
    uint16_t first = shared;
    uint16_t second = shared;

    while (first != second) {
        first = second;
        second = shared;
    }
    return first;
}
