/**
 * One line in, one line out: how the bench drives a peer, the same way whichever it is.
 *
 * In: {"do": name, ...}. Out: what the handler returned, with the wall time and the processor
 * time that it took (all threads), in milliseconds.
 */
import { createInterface } from 'node:readline';

export async function serveLines(handlers) {
  for await (const line of createInterface({ input: process.stdin })) {
    const { do: name, ...given } = JSON.parse(line);
    globalThis.gc?.();
    const before = process.cpuUsage();
    const started = performance.now();
    const answer = (await handlers[name](given)) ?? {};
    const ms = performance.now() - started;
    const { user, system } = process.cpuUsage(before);
    process.stdout.write(`${JSON.stringify({ ...answer, ms, cpuMs: (user + system) / 1000 })}\n`);
  }
  process.exit(0);
}

/** The content of record `number`: what a step of a procedure leaves. */
export function contentOf(number) {
  return {
    case: `case/c-${number % 500}`,
    step: ['identity', 'airway', 'water_in', 'feeder', 'stop_set'][number % 5],
    round: { target: 'Varix A', puncture: 1, coil: null, aliquot: null },
    outcome: 'done',
    at: `2026-11-25T09:${String(10 + (number % 50))}:00+00:00`,
  };
}

/** Who wrote: every peer keeps it with the record, as ours does. */
export const WHO = { by: 'staff/wren-quillfeather', tapped_by: 'staff/juno-marrowby' };

export function idOf(number) {
  return `19ac${String(number).padStart(8, '0')}7f3a9c`;
}
