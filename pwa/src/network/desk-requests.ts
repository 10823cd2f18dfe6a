/** Asks the unit's server as whoever is logged in: the browser adds the cookie, nothing is signed. */
import type { DeskAnswer, DeskPort, DeskQuestion, DeskQuestions } from '../desk-questions';
import { tell } from '../told';

type Way = readonly ['GET' | 'POST' | 'DELETE', string];

const WAYS: Readonly<Record<DeskQuestion, Way>> = {
  'log-in': ['POST', '/api/session'],
  'offer-factor': ['POST', '/api/session-factor'],
  who: ['GET', '/api/session'],
  'log-out': ['DELETE', '/api/session'],
  'first-log-in': ['POST', '/api/session-first'],
  'change-password': ['POST', '/api/session-password'],
  sessions: ['GET', '/api/sessions'],
  'end-sessions': ['POST', '/api/session-ends'],
  devices: ['GET', '/api/unit-devices'],
  invite: ['POST', '/api/invitations'],
  confirm: ['POST', '/api/confirmations'],
  revoke: ['POST', '/api/revocations'],
  rename: ['POST', '/api/device-names'],
  'refuse-key': ['POST', '/api/recovery-refusals'],
  people: ['GET', '/api/unit/staff'],
  'add-person': ['POST', '/api/unit/staff'],
  'change-person': ['POST', '/api/unit/staff-changes'],
  'make-code': ['POST', '/api/staff-codes'],
  trail: ['GET', '/api/access-events'],
  retention: ['GET', '/api/retention'],
  'patient-export': ['POST', '/api/patient-exports'],
  outcomes: ['GET', '/api/outcomes'],
  quality: ['GET', '/api/quality'],
  // --- at the hub
  fleet: ['GET', '/api/network/fleet'],
  'network-aside': ['GET', '/api/network/set-aside'],
  links: ['GET', '/api/network/links'],
  'link-act': ['POST', '/api/network/link-acts'],
  recalls: ['GET', '/api/network/recalls'],
  'count-recall': ['POST', '/api/network/recall-counts'],
  'add-recall': ['POST', '/api/network/recalls'],
  'end-recall': ['POST', '/api/network/recall-ends'],
  'network-quality': ['GET', '/api/network/quality'],
  exports: ['GET', '/api/network/exports'],
  'ask-export': ['POST', '/api/network/exports'],
  'export-outlook': ['GET', '/api/network/export-outlook'],
  'decide-export': ['POST', '/api/network/export-decisions'],
  'rule-files': ['GET', '/api/network/rule-files'],
  'rule-file-changes': ['GET', '/api/network/rule-file-changes'],
  'rule-file-text': ['GET', '/api/network/rule-file-text'],
  'check-rule-file': ['POST', '/api/network/rule-file-checks'],
  'draft-rule-file': ['POST', '/api/network/rule-file-drafts'],
  'approve-rule-file': ['POST', '/api/network/rule-file-approvals'],
  'send-rule-file': ['POST', '/api/network/rule-files'],
  'withdraw-rule-file': ['POST', '/api/network/rule-file-withdrawals'],
  // --- at a unit, of what came from its hub
  line: ['GET', '/api/network/line'],
  'incoming-recalls': ['GET', '/api/recalls/network'],
  'answer-recall': ['POST', '/api/recalls/network'],
  'close-recall': ['POST', '/api/recalls/network-closings'],
  'incoming-links': ['GET', '/api/links/network'],
  'answer-link': ['POST', '/api/links/network'],
  'incoming-rule-files': ['GET', '/api/rule-files/network'],
  'answer-rule-file': ['POST', '/api/rule-files/network'],
};
// All about one patient is gathered in up to a minute.
const LONGEST_ANSWER_MS = 90_000;
const UNAUTHORIZED = 401;

/** @param fetcher - `fetch` of the page, which sends cookies to this origin alone */
export function deskRequests(fetcher: typeof fetch): DeskPort {
  return {
    async ask<Question extends DeskQuestion>(
      question: Question,
      asks: DeskQuestions[Question]['asks'],
    ): Promise<DeskAnswer<Question>> {
      const [method, path] = WAYS[question];
      const isRead = method === 'GET';
      const query = isRead && asks !== null ? `?${queryOf(asks)}` : '';
      const init: RequestInit = {
        method,
        credentials: 'same-origin',
        cache: 'no-store',
        signal: AbortSignal.timeout(LONGEST_ANSWER_MS),
      };
      if (!isRead && asks !== null) {
        init.headers = { 'Content-Type': 'application/json' };
        init.body = JSON.stringify(asks);
      }
      try {
        const response = await fetcher(path + query, init);
        if (response.ok) {
          const answer = response.status === 204 ? null : await response.json();
          return { kind: 'told', answer };
        }
        const sentence = await refusalOf(response);
        const isOut = response.status === UNAUTHORIZED;
        return { kind: isOut ? 'logged-out' : 'not-told', sentence };
      } catch {
        return { kind: 'not-told', sentence: tell('unreachable') };
      }
    },
  };
}

/** Return what is asked as a query; what is left empty narrows nothing and is left out. */
function queryOf(asks: object): string {
  const filled = Object.entries(asks).filter(([, content]) => content !== '');
  return new URLSearchParams(filled.map(([name, content]) => [name, String(content)])).toString();
}

async function refusalOf(response: Response): Promise<string> {
  try {
    const problem = (await response.json()) as { detail?: unknown };
    if (typeof problem.detail === 'string') return problem.detail;
  } catch {
    // No problem details: something else than the unit's server answered.
  }
  return tell('unitFailed', { status: response.status });
}
