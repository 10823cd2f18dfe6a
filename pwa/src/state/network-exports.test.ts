import { expect, test } from 'vitest';
import type { DeskPort } from '../desk-questions';
import type { NetworkExport, NetworkRuleFiles } from '../network-questions';
import {
  exportState,
  fileAddress,
  kibiOf,
  NetworkExports,
  orderExports,
} from './network-exports.svelte';
import {
  countArrivals,
  NetworkProtocols,
  partFiles,
  versionBefore,
} from './network-protocols.svelte';
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

const FILES: NetworkRuleFiles = {
  files: [
    {
      file: 'gates/default',
      versions: [
        { version: 1002, standing: 'approved', is_sent: false, may_send: true },
        { version: 1001, standing: 'approved', is_sent: false, may_send: true },
        { version: 2, standing: 'in force', is_sent: true, may_send: false },
        { version: 1, standing: 'retired', is_sent: false, may_send: false },
      ],
    },
  ],
  sent: [],
};

test('a file of one version stands apart, unless it can be sent or was', () => {
  const version = { version: 1001, standing: 'approved', is_sent: false, may_send: false };
  const of = (file: string, more: object) => ({ file, versions: [{ ...version, ...more }] });
  const { changed, single } = partFiles([
    of('a', {}),
    of('b', { may_send: true }),
    of('c', { is_sent: true }),
    ...FILES.files,
  ]);

  expect(changed.map(({ file }) => file)).toEqual(['b', 'c', 'gates/default']);
  expect(single.map(({ file }) => file)).toEqual(['a']);
});

test('[DM-11] a version is compared with the one that stands before it', () => {
  expect([1002, 2, 1].map((version) => versionBefore(FILES, 'gates/default', version))).toEqual([
    1001,
    1,
    null,
  ]);
  expect(versionBefore(FILES, 'sizing/default', 2)).toBeNull();
});

/** Has caught a planted bug: with `version !== null` alone, a version went out that nobody had read. */
test('[DM-11] [HAZ-10] nothing is sent before its changes stand on screen, and nothing twice', async () => {
  const answers: Record<string, unknown> = {
    'rule-files': FILES,
    'rule-file-changes': undefined,
    'send-rule-file': FILES,
  };
  const { asked, desk } = deskOf(answers);
  const protocols = new NetworkProtocols(desk);
  await protocols.asked.load();
  protocols.choose('gates/default');
  expect(protocols.canSend).toBe(false);

  answers['rule-file-changes'] = { sentences: ['SOFT-08 limit: 120 s becomes 90 s.'] };
  await protocols.chooseVersion(1002);
  expect([protocols.before, protocols.changes, protocols.canSend]).toEqual([
    1001,
    ['SOFT-08 limit: 120 s becomes 90 s.'],
    true,
  ]);
  expect(asked.at(-1)).toEqual([
    'rule-file-changes',
    { file: 'gates/default', old: 1001, new: 1002 },
  ]);

  // The first version has none before it, and nobody of the network approved it; one was sent.
  await protocols.chooseVersion(1);
  expect([protocols.before, protocols.canSend]).toEqual([null, false]);
  await protocols.chooseVersion(2);
  expect([protocols.changes?.length, protocols.canSend]).toEqual([1, false]);

  const reading = protocols.chooseVersion(1001);
  expect(protocols.canSend).toBe(false);
  await reading;
  expect(await protocols.send('Agreed by the network')).toBe(true);
  expect(asked.at(-1)).toEqual([
    'send-rule-file',
    { file: 'gates/default', version: 1001, because: 'Agreed by the network' },
  ]);
  expect([protocols.file, protocols.version]).toEqual(['', null]);
  expect(await protocols.send('Agreed by the network')).toBe(false);
});

test('how far a version came is counted by unit', () => {
  const unit = (came_ms: number | null, answer: 'none' | 'taken' | 'set-aside') => ({
    unit: `${came_ms} ${answer}`,
    name: '',
    came_ms,
    answer,
  });
  const units = [unit(null, 'none'), unit(1, 'none'), unit(2, 'taken'), unit(3, 'set-aside')];
  const sent = {
    record: '',
    file: '',
    version: 1,
    sent_ms: 1,
    sent_by_name: '',
    because: '',
    is_withdrawn: false,
    units,
  };

  expect(countArrivals(sent)).toEqual({ all: 4, came: 3, taken: 1, aside: 1 });
});
