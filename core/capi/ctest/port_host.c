/* A hosted machine: standard input and output. */
#include "port.h"

#include <stdio.h>

int port_get(void) {
    int byte = getchar();
    return byte == EOF ? -1 : byte;
}

void port_put(char byte) { putchar(byte); }

int main(void) { return run(); }
