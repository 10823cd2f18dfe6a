/** Every sentence of the unit desk: devices and people of the unit, log-ins, the trail of access. */
import type { DeviceTold } from '../desk-questions';
import { ageWords } from './decisions';
import { choices, say, sayAs, withMore, words } from './say';

const said = words('unitDesk');

/** What may change for a person; each act says first what it will do. */
export type PersonAct = keyof typeof said.people.acts;

export const unitDesk = withMore(said, {
  who: (name: string, role: string) => say('unitDesk.who', { name, role }),
  logsInAs: (login: string) => say('unitDesk.first.logsInAs', { login }),
  kinds: choices(said.devices.kinds),
});

export const deskDevices = withMore(said.devices, {
  digits: (name: string) => say('unitDesk.devices.digits', { name }),
  letIn: (name: string) => say('unitDesk.devices.letIn', { name }),
  joinedOn: (when: string) => say('unitDesk.devices.joinedOn', { when }),
  last: (when: string) => say('unitDesk.devices.last', { when }),
  shownOnce: (kind: string) => say('unitDesk.devices.shownOnce', { kind }),
  revoke: (name: string) => say('unitDesk.devices.revoke', { name }),
  lost: (name: string) => say('unitDesk.devices.lost', { name }),
  yesRevoke: (name: string) => say('unitDesk.devices.yesRevoke', { name }),
  yesLost: (name: string) => say('unitDesk.devices.yesLost', { name }),
  heldBy: (device: string) => say('unitDesk.devices.heldBy', { device }),
  named: (name: string) => say('unitDesk.devices.named', { name }),
  rename: (name: string) => say('unitDesk.devices.rename', { name }),
  newName: (name: string) => say('unitDesk.devices.newName', { name }),
  giveKey: (name: string) => say('unitDesk.devices.giveKey', { name }),
  giveKeyWhat: (name: string) => say('unitDesk.devices.giveKeyWhat', { name }),
  refuseKey: (name: string) => say('unitDesk.devices.refuseKey', { name }),
});

const toldSaid = said.devices.told;
const MEGABYTE = 1_000_000;
const megabytes = (bytes: number) => String(Math.floor(bytes / MEGABYTE));

/** Return what a device told of itself, in one line that begins with when; unknown is said so. */
export function toldWords(told: DeviceTold | null | undefined): string {
  if (!told) return toldSaid.never;
  const { ago_ms: agoMs, build, unsent, unsent_pictures: pictures, is_kept: isKept } = told;
  const { used_bytes: used, quota_bytes: quota, protocol = null } = told;
  return [
    agoMs < 60_000 ? toldSaid.now : say('unitDesk.devices.told.ago', { age: ageWords(agoMs) }),
    unsent === null
      ? toldSaid.unsentUnknown
      : say('unitDesk.devices.told.unsent', { count: unsent }),
    pictures ? say('unitDesk.devices.told.pictures', { count: pictures }) : '',
    isKept === null ? toldSaid.keptUnknown : isKept ? toldSaid.kept : '',
    used === null || quota === null
      ? toldSaid.storageUnknown
      : say('unitDesk.devices.told.storage', { used: megabytes(used), most: megabytes(quota) }),
    build === null ? toldSaid.buildUnknown : say('unitDesk.devices.told.build', { build }),
    protocol === null
      ? toldSaid.protocolUnknown
      : say('unitDesk.devices.told.protocol', { version: String(protocol) }),
  ]
    .filter((part) => part !== '')
    .join(' · ');
}

export const deskPeople = withMore(said.people, {
  acts: choices(said.people.acts),
  add: (name: string) => say('unitDesk.people.add', { name }),
  logsIn: (login: string) => say('unitDesk.people.logsIn', { login }),
  sessions: (count: number) => say('unitDesk.people.sessions', { count }),
  differs: (name: string) => say('unitDesk.people.differs', { name }),
  more: (name: string) => say('unitDesk.people.more', { name }),
  change: (name: string) => say('unitDesk.people.change', { name }),
  takeBack: (name: string) => say('unitDesk.people.takeBack', { name }),
  what: (act: PersonAct, name: string) => sayAs(`unitDesk.people.what.${act}`, { name }),
  yes: (act: PersonAct, name: string) => sayAs(`unitDesk.people.yes.${act}`, { name }),
  codeFor: (opens: 'tablet' | 'log-in', name: string) =>
    sayAs(`unitDesk.people.codeFor.${opens}`, { name }),
});

export const deskLogIns = withMore(said.own, {
  since: (when: string) => say('unitDesk.own.since', { when }),
  used: (when: string) => say('unitDesk.own.used', { when }),
});

export const deskTrail = withMore(said.trail, {
  found: (count: number) => say('unitDesk.trail.found', { count }),
  mayHaveHeld: (count: number) => say('unitDesk.trail.mayHave.title', { count }),
  times: (count: number) => say('unitDesk.trail.mayHave.times', { count }),
});

export const deskPrivacy = withMore(said.privacy, {
  make: (patient: string) => say('unitDesk.privacy.make', { patient }),
  made: (records: number) => say('unitDesk.privacy.made', { records }),
  pictures: (count: number) => say('unitDesk.privacy.pictures', { count }),
  held: (count: number) => say('unitDesk.privacy.held', { count }),
  oldest: (day: string) => say('unitDesk.privacy.oldest', { day }),
  keeps: (years: number) => say('unitDesk.privacy.keeps', { years }),
  due: (count: number) => say('unitDesk.privacy.due', { count }),
});
