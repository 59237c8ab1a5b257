/* What a program of these tests needs from the machine that it runs on. */
#ifndef PORT_H
#define PORT_H

/* The next byte of the input, or -1 at its end. */
int port_get(void);

/* Writes one byte of output. */
void port_put(char byte);

/* The program; its value ends the process or the emulator. */
int run(void);

#endif
