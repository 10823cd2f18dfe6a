/** A case as FHIR R4B, made from what one tablet holds. */
import { expect, test } from 'vitest';
import { packagedRuleBook } from '../clinical-rules/packaged-rule-files';
import type { Draft, RecordStore } from '../ports';
import { packagedCatalogue } from '../record-catalogue/packaged-catalogue';
import { openMemoryDisk } from '../storage/memory-database';
import { OperationStore } from '../storage/operation-store';
import { tellCase, writeCaseBundle } from './case-bundle';

const CASE = 'case/c1';
const NOW_MS = Date.parse('2026-03-16T10:00:00Z');

async function openTablet() {
  const held = new OperationStore((await openMemoryDisk()).database, packagedCatalogue());
  held.becomeDevice(
    { device: 'tab-a', role: 'bedside', token: null, unitName: '', streams: [] },
    'epoch1',
  );
  let made = 0;
  const write = (record: string, set: Draft['set'], more: Partial<Draft> = {}) => {
    made += 1;
    const draft = { draftId: `w${made}`, record, ...(set ? { set } : {}), ...more };
    const circumstances = { wallMs: NOW_MS + made, newSalt: () => 'a'.repeat(32) };
    held.save([draft], { by: 'staff/s1', tappedBy: 'staff/s1' }, circumstances);
  };
  const store = {
    read: async (query: Parameters<OperationStore['read']>[0]) => held.read(query),
  } as unknown as RecordStore;
  write('staff/s1', { name: 'Otis Bramblewick' });
  write('patient/p1', { family_name: 'Reedmace', local_id: 'TH-1' });
  write(CASE, { patient: 'patient/p1', stage: 'closed', procedure_on: '2026-03-10' });
  write('coil_placed/o1', { case: CASE, coil: { loop_um: 14_000 }, device: { lot: 'L-1' } });
  write('clinic_session/s', {
    place: 'Room 4',
    held: { on: '2026-03-29', starts: '01:30', time_zone: 'Europe/London' },
  });
  write('visit/v1', {
    patient: 'patient/p1',
    case: CASE,
    status: 'booked',
    booking: { session: 'clinic_session/s', on: '2026-03-29' },
  });
  return { held, write, sources: { store, book: packagedRuleBook('2026-03-16'), nowMs: NOW_MS } };
}

test('[FH1] a case is told with everything under it, and becomes one file', async () => {
  const { sources } = await openTablet();
  const content = JSON.parse((await writeCaseBundle(CASE, sources)) ?? '');
  const kinds = content.entry.map(
    ({ resource }: { resource: { resourceType: string } }) => resource.resourceType,
  );

  expect(kinds).toEqual([
    ...['Patient', 'Practitioner', 'Procedure', 'Device', 'ServiceRequest', 'Appointment'],
    'Provenance',
  ]);
});

/** What is told names the struck coils too. */
test('[FH4] a struck coil is told as struck', async () => {
  const { sources, held, write } = await openTablet();
  const [coil] = held.read({ kind: 'coil_placed', parent: CASE });
  write('coil_placed/o1', undefined, { retract: coil?.heads ?? [] });
  const request = await tellCase(CASE, sources);

  expect(request?.records).toEqual([
    { record: 'coil_placed/o1', values: {}, is_struck: true, by: '', at_ms: 0 },
  ]);
});

test('[FH8] a lot that stands on the package alone leaves with the coil', async () => {
  const { sources, write } = await openTablet();
  write('package_opened/o2', { case: CASE, item: 'coil', device: { lot: 'L-9' } });
  write('coil_placed/o2', { case: CASE, package: 'package_opened/o2' });
  const content = JSON.parse((await writeCaseBundle(CASE, sources)) ?? '');
  const lots = content.entry
    .map(({ resource }: { resource: { lotNumber?: string } }) => resource.lotNumber)
    .filter(Boolean);

  expect(lots).toEqual(['L-1', 'L-9']);
});

test('[FH7] a session begins by its own clock; a skipped hour is an hour later', async () => {
  const { sources } = await openTablet();
  const slot = (await tellCase(CASE, sources))?.visits[0]?.slot;

  expect(slot).toEqual({
    starts_ms: Date.parse('2026-03-29T01:30:00Z'),
    ends_ms: Date.parse('2026-03-29T02:00:00Z'),
    place: 'Room 4',
  });
});

test('a case that is not on this tablet makes no file', async () => {
  const { sources } = await openTablet();

  expect(await writeCaseBundle('case/elsewhere', sources)).toBeNull();
});
