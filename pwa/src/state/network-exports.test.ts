import { expect, test } from 'vitest';
import type { DeskPort } from '../desk-questions';
import type { NetworkExport } from '../network-questions';
import {
  exportState,
  fileAddress,
  kibiOf,
  NetworkExports,
  orderExports,
} from './network-exports.svelte';
import { UnitDesk } from './unit-desk.svelte';

function deskOf(answers: Record<string, unknown>) {
  const asked: [string, unknown][] = [];
  const port = {
    ask: async (question: string, asks: unknown) => {
      asked.push([question, asks]);
      return { kind: 'told', answer: answers[question] };
    },
  } as unknown as DeskPort;
  return { asked, desk: new UnitDesk(port, () => 0, 'hub') };
}
const one = (id: string, state: NetworkExport['state'], asked_ms: number) =>
  ({ export: id, state, asked_ms }) as NetworkExport;

test('[DM-08] what waits for a decision stands first, then the newest', () => {
  const exports = [one('a', 'made', 9), one('b', 'asked', 1), one('c', 'made', 12)];
  expect(orderExports(exports).map((each) => each.export)).toEqual(['b', 'c', 'a']);
  expect(fileAddress(one('export/1', 'made', 1))).toBe(
    '/api/network/export-files?export=export%2F1',
  );
  expect([exportState(one('a', 'refused', 1)), exportState(one('a', 'made', 1))]).toEqual([
    'declined',
    'made',
  ]);
});

test('no file is told as empty that is not', () => {
  expect([0, 1, 1_023, 1_024, 1_025].map(kibiOf)).toEqual([0, 1, 1, 1, 2]);
});

/** Has caught a planted bug: without the purpose in `canAsk`, an export was asked for without one. */
test('[DM-08] nothing is asked for without a project, a purpose, and days that are days', async () => {
  const { asked, desk } = deskOf({ 'ask-export': { exports: [] } });
  const exports = new NetworkExports(desk);
  exports.project = 'Bleeding within a year';
  await exports.askFor();
  exports.purpose = '  ';
  await exports.askFor();
  expect(asked).toEqual([]);

  exports.purpose = 'Yearly report of the network';
  const days = (from: string, until: string) => {
    exports.fromOn = from;
    exports.untilOn = until;
    return exports.badDays;
  };
  expect([
    days('2026-02-30', ''),
    days('2026-11-02', '2026-11-01'),
    days('2026-11-01', '2026-11-01'),
    days('', '2026-11-01'),
    days('', ''),
  ]).toEqual(['no-day', 'turned', '', '', '']);
  days('2026-01-01', '');
  await exports.askFor();
  expect(asked).toEqual([
    [
      'ask-export',
      {
        project: 'Bleeding within a year',
        purpose: 'Yearly report of the network',
        from_on: '2026-01-01',
        until_on: '',
      },
    ],
  ]);
  expect([exports.project, exports.purpose]).toEqual(['', '']);
});

/** Caught: whoever approved was shown project and purpose, and neither period nor what would leave. */
test('[DM-08] [DX8] nothing is approved that was not looked at, or cannot be made', async () => {
  const outlook = { tables: [], counts: null, sentence: 'Fewer than 5 patients' };
  const waits = { ...one('a', 'asked', 1), may_decide: true };
  const answers: Record<string, unknown> = {
    exports: { exports: [waits] },
    'export-outlook': outlook,
    'decide-export': { exports: [] },
  };
  const { asked, desk } = deskOf(answers);
  const exports = new NetworkExports(desk);
  await exports.asked.load();

  expect(await exports.decide('a', 'approve', 'Agreed')).toBe(false);
  await exports.look('a');
  expect([exports.mayApprove(waits), await exports.decide('a', 'approve', 'Agreed')]).toEqual([
    false,
    false,
  ]);
  expect(asked.map(([question]) => question)).toEqual(['exports', 'export-outlook']);

  answers['export-outlook'] = { ...outlook, counts: { patients: 60 }, sentence: '' };
  await exports.look('a');
  expect(exports.mayApprove({ ...waits, may_decide: false })).toBe(false);
  expect(await exports.decide('a', 'approve', 'Agreed')).toBe(true);
  expect(asked.at(-1)).toEqual([
    'decide-export',
    { export: 'a', decision: 'approve', because: 'Agreed' },
  ]);
});

test('[DM-08] what is not covered is turned down unseen', async () => {
  const { asked, desk } = deskOf({ 'decide-export': { exports: [] } });
  const exports = new NetworkExports(desk);

  expect(await exports.decide('a', 'refuse', 'No agreement covers it')).toBe(true);
  expect(asked.length).toBe(1);
});
