/* A board of files for the example lantern: duty words from standard input, codes to standard output. */
#include "board.h"
#include "lantern.h"

#include <stdio.h>

void board_show(const envlab_code *codes, uint16_t count)
{
    for (; count != 0u; count--, codes++) {
        putchar((int)(*codes & 0xFFu));
        putchar((int)(*codes >> 8));
    }
}

int main(void)
{
    int low, high;

    while ((low = getchar()) != EOF && (high = getchar()) != EOF) {
        lantern_show((uint16_t)(low | high << 8));
        lantern_refresh();
    }
    return 0;
}
