/** The invitation code of a link `#join=CODE`. */

/** Return the code in an address part, "" when it carries none. */
export function invitationOf(address: string): string {
  const found = /^#\/?join=([^&]{1,200})$/.exec(address);
  if (found === null) return '';
  try {
    return decodeURIComponent(found[1] ?? '').trim();
  } catch {
    // A broken percent sign in the link: no code rather than a wrong one.
    return '';
  }
}

/**
 * Take the code out of the page's address, so that it stays neither there nor in the history.
 *
 * @returns the code, "" when the address carries none
 */
export function takeInvitation(page: Pick<Window, 'location' | 'history'>): string {
  const code = invitationOf(page.location.hash);
  if (code !== '') {
    page.history.replaceState(null, '', page.location.pathname + page.location.search);
  }
  return code;
}

/** The code this page was opened with, taken out of the address before anybody else reads it. */
let opened = typeof window === 'undefined' ? '' : takeInvitation(window);

/** Return the code the page was opened with, "" when none or used. */
export function openedInvitation(): string {
  return opened;
}

/** Take up a code that was put into the address of the open page; returns whether there was one. */
export function noticeInvitation(page: Pick<Window, 'location' | 'history'>): boolean {
  const code = takeInvitation(page);
  if (code !== '') opened = code;
  return code !== '';
}

/** Forget the code once it was used or put aside. */
export function forgetInvitation(): void {
  opened = '';
}
