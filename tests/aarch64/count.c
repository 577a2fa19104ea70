/* Counts the instructions that a program executes under qemu's user-mode emulation.
 *
 * The few declarations are those of qemu's plugin interface, version 1, whose header Debian does not ship.
 */
#include <inttypes.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#define SHOWN __attribute__((visibility("default")))

struct qemu_plugin_tb;
void qemu_plugin_register_vcpu_tb_trans_cb(uint64_t id, void (*translated)(uint64_t, struct qemu_plugin_tb *));
void qemu_plugin_register_vcpu_tb_exec_inline(struct qemu_plugin_tb *tb, int add, void *to, uint64_t number);
size_t qemu_plugin_tb_n_insns(const struct qemu_plugin_tb *tb);
void qemu_plugin_register_atexit_cb(uint64_t id, void (*ended)(uint64_t, void *), void *data);

static uint64_t executed; /* threads may lose a count to each other: Python runs one at a time */

static void translated(uint64_t id, struct qemu_plugin_tb *tb) {
  qemu_plugin_register_vcpu_tb_exec_inline(tb, 0, &executed, qemu_plugin_tb_n_insns(tb));
}

static void ended(uint64_t id, void *data) {
  FILE *file = fopen(getenv("INSTRUCTIONS"), "w");
  if (file) {
    fprintf(file, "%" PRIu64 "\n", executed);
    fclose(file);
  }
}

SHOWN int qemu_plugin_version = 1;

SHOWN int qemu_plugin_install(uint64_t id, const void *info, int argc, char **argv) {
  qemu_plugin_register_vcpu_tb_trans_cb(id, translated);
  qemu_plugin_register_atexit_cb(id, ended, NULL);
  return 0;
}
