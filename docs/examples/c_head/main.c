/* Serves the head on a TCP socket of this machine, in one thread: main [--port N] [--dead-man S] [--virtual].
 * On SIGUSR1 the interlock of the model opens or closes.
 *
 * Lasers and rotors hurt people. No software is a safety function: the interlock chain of the hardware stands
 * on its own. IEC 60825-1, local codes and the laser safety officer decide. */
#define _POSIX_C_SOURCE 200809L
#include "wire.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum { CHUNK = 512, READS = 8 /* of a client in a row, so that a flood does not delay others */ };

static struct wire wire;
static int sockets[WIRE_CLIENTS]; /* of each client; -1 is none */
static volatile sig_atomic_t ends, toggles;

static void on_end(int number) { (void)number; ends = 1; }
static void on_toggle(int number) { (void)number; toggles = 1; }

static double monotonic(void) {
    struct timespec time;
    clock_gettime(CLOCK_MONOTONIC, &time);
    return (double)time.tv_sec + (double)time.tv_nsec / 1e9;
}

static int listen_on(unsigned port) {
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_port = htons((uint16_t)port)};
    socklen_t size = sizeof address;
    int on = 1, listener = socket(AF_INET, SOCK_STREAM, 0);
    address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    if (listener < 0 || setsockopt(listener, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on) < 0 ||
        bind(listener, (struct sockaddr *)&address, size) < 0 || listen(listener, 16) < 0 ||
        fcntl(listener, F_SETFL, O_NONBLOCK) < 0 || getsockname(listener, (struct sockaddr *)&address, &size) < 0) {
        perror("the port cannot be listened on");
        exit(1);
    }
    printf("serving a C demonstration head (invented) on tcp://127.0.0.1:%u\n", ntohs(address.sin_port));
    fflush(stdout);
    return listener;
}

static void admit(int listener) {
    static const char FULL[] = "-310,\"System error;all places are taken\"\n";
    int on = 1, stream = accept(listener, NULL, NULL);
    if (stream < 0)
        return;
    struct client *client = wire_connect(&wire);
    if (client == NULL || fcntl(stream, F_SETFL, O_NONBLOCK) < 0) {
        (void)send(stream, FULL, sizeof FULL - 1, MSG_NOSIGNAL);
        close(stream);
        return;
    }
    setsockopt(stream, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
    int *place = &sockets[client - wire.clients];
    if (*place >= 0)
        close(*place);
    *place = stream;
}

static void receive(struct client *client, int stream) {
    char bytes[CHUNK];
    for (int reads = 0; reads < READS; reads++) {
        size_t room = wire_room(client);
        if (room == 0)
            return;
        size_t wanted = room < sizeof bytes ? room : sizeof bytes;
        ssize_t size = recv(stream, bytes, wanted, 0);
        if (size > 0)
            wire_receive(&wire, client, bytes, (size_t)size);
        else if (size == 0)
            client->gone = true; /* what it said before may still be read, but nothing moves */
        else if (errno != EAGAIN && errno != EWOULDBLOCK && errno != EINTR)
            wire_disconnect(&wire, client);
        if (size < (ssize_t)wanted) {
            wire_drained(&wire, client);
            return;
        }
    }
}

static void transmit(struct client *client, int stream) {
    struct span reply = wire_reply(client);
    if (reply.at == reply.end)
        return;
    ssize_t size = send(stream, reply.at, (size_t)(reply.end - reply.at), MSG_NOSIGNAL);
    if (size > 0)
        wire_sent(&wire, client, (size_t)size);
    else if (errno != EAGAIN && errno != EWOULDBLOCK && errno != EINTR)
        wire_disconnect(&wire, client);
}

/* One round: waits for sockets, reads them all, lets the wire work, and sends. A watchdog of the hardware is to be
 * restarted here, and nowhere else. */
static enum wire_work serve(int listener, bool is_virtual, double began, enum wire_work work) {
    struct pollfd polled[WIRE_CLIENTS + 1] = {{.fd = listener, .events = POLLIN}};
    double wake = model_wake();
    int wait = work == WIRE_IDLE ? 20 : work == WIRE_BUSY && !is_virtual ? 1 : 0; /* ms */
    for (int k = 0; k < WIRE_CLIENTS; k++) {
        struct span reply = wire_reply(&wire.clients[k]);
        int events = (wire_room(&wire.clients[k]) > 0 ? POLLIN : 0) | (reply.at < reply.end ? POLLOUT : 0);
        polled[k + 1] = (struct pollfd){.fd = sockets[k], .events = (short)events};
    }
    (void)poll(polled, WIRE_CLIENTS + 1, wait);
    double now = monotonic();
    wire_time(&wire, now);
    if (!is_virtual)
        model_set_time(now - began);
    else if (isfinite(wake))
        model_set_time(wake);
    if (toggles) {
        toggles = 0;
        model_toggle_interlock();
    }
    for (int k = 0; k < WIRE_CLIENTS; k++) {
        if (sockets[k] < 0)
            continue;
        if (polled[k + 1].revents != 0)
            receive(&wire.clients[k], sockets[k]);
        else
            wire_drained(&wire, &wire.clients[k]);
    }
    if (polled[0].revents != 0)
        admit(listener);
    work = wire_run(&wire);
    for (int k = 0; k < WIRE_CLIENTS; k++) {
        struct client *client = &wire.clients[k];
        if (sockets[k] < 0)
            continue;
        if (client->open)
            transmit(client, sockets[k]);
        if (client->open && wire_is_over(client))
            wire_disconnect(&wire, client);
        if (!client->open) {
            close(sockets[k]);
            sockets[k] = -1;
        }
    }
    return work;
}

static double number_option(const char *name, const char *text, double least, double most) {
    char *end = NULL;
    double value = text != NULL ? strtod(text, &end) : NAN;
    if (text == NULL || end == text || *end != '\0' || !(value >= least && value <= most)) {
        fprintf(stderr, "%s takes a number from %g to %g\n", name, least, most);
        exit(2);
    }
    return value;
}

int main(int count, char **options) {
    double port = 5025, limit = 3, began = monotonic();
    bool is_virtual = false;
    for (int k = 1; k < count; k++) {
        if (strcmp(options[k], "--port") == 0)
            port = number_option("--port", options[++k], 0, 65535);
        else if (strcmp(options[k], "--dead-man") == 0)
            limit = number_option("--dead-man", options[++k], 0.2, 60);
        else if (strcmp(options[k], "--virtual") == 0)
            is_virtual = true;
        else {
            fprintf(stderr, "unknown option `%s`: --port N, --dead-man S, --virtual\n", options[k]);
            return 2;
        }
    }
    signal(SIGINT, on_end);
    signal(SIGTERM, on_end);
    signal(SIGUSR1, on_toggle);
    for (int k = 0; k < WIRE_CLIENTS; k++)
        sockets[k] = -1;
    model_begin();
    wire_begin(&wire, limit, is_virtual ? "VIRT" : "REAL", began);
    int listener = listen_on((unsigned)port);
    enum wire_work work = WIRE_IDLE;
    while (!ends)
        work = serve(listener, is_virtual, began, work);
    head_make_safe(false);
    struct head_status status;
    head_read(&status);
    printf("ended: %s, %s, %s\n", status.armed ? "THE LASER IS ARMED" : "laser off",
           status.parked ? "mirror parked" : "mirror not parked yet",
           isnan(status.target) ? "no speed asked for" : "THE POLYGON RUNS");
    return 0;
}
