/* A Modbus TCP server made with libmodbus for any number of connections: prints its port, serves until its input ends.
 * cc -O2 modbus_bench_server.c -o server -lmodbus */
#include <arpa/inet.h>
#include <modbus/modbus.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stdio.h>
#include <sys/socket.h>
#include <unistd.h>

#define CONNECTIONS_MAX 256

int main(void) {
    struct pollfd fds[2 + CONNECTIONS_MAX] = {{.fd = 0, .events = POLLIN}};
    int used = 2, one = 1;
    uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
    struct sockaddr_in address;
    socklen_t size = sizeof address;
    modbus_t *context = modbus_new_tcp("127.0.0.1", 0);
    modbus_mapping_t *mapping = modbus_mapping_new(2048, 2048, 2048, 2048);
    int listening = modbus_tcp_listen(context, CONNECTIONS_MAX);
    if (mapping == NULL || listening < 0 || getsockname(listening, (struct sockaddr *)&address, &size) < 0) return 1;
    fds[1].fd = listening;
    fds[1].events = POLLIN;
    printf("%d\n", ntohs(address.sin_port));
    fflush(stdout);
    while (poll(fds, used, -1) >= 0) {
        if (fds[0].revents) return 0;
        if (fds[1].revents && used < 2 + CONNECTIONS_MAX) {
            int connection = accept(listening, NULL, NULL);
            setsockopt(connection, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
            fds[used].fd = connection;
            fds[used].events = POLLIN;
            fds[used++].revents = 0;
        }
        for (int at = 2; at < used; at++) {
            if (!fds[at].revents) continue;
            modbus_set_socket(context, fds[at].fd);
            int received = modbus_receive(context, query);
            if (received > 0) received = modbus_reply(context, query, received, mapping);
            if (received < 0) {
                close(fds[at].fd);
                fds[at--] = fds[--used];
            }
        }
    }
    return 1;
}
