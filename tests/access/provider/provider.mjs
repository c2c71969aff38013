// An OpenID provider on loopback for the tests of single sign-on. Its only argument says as JSON what it is to be
// ({port, issuer, clients, people, conformIdTokenClaims, key}); the file `people` may change while it runs. Any
// password opens any account.
import { randomUUID } from 'node:crypto';
import { readFileSync } from 'node:fs';
import Provider from 'oidc-provider';

const { port, issuer, clients, people, conformIdTokenClaims, key } = JSON.parse(process.argv[2]);

const provider = new Provider(issuer, {
  clients,
  conformIdTokenClaims,
  jwks: { keys: [key] },
  cookies: { keys: [randomUUID()] },
  claims: { openid: ['sub', 'sid'], profile: ['name'], groups: ['groups'] },
  scopes: ['openid', 'profile', 'groups'],
  features: { devInteractions: { enabled: true }, backchannelLogout: { enabled: true } },
  findAccount: (_, sub) => {
    const told = JSON.parse(readFileSync(people, 'utf8'))[sub];
    return told && { accountId: sub, claims: () => ({ sub, ...told }) };
  },
  pkce: { required: () => true },
  // By default it sends nothing to an address of this machine, where the service under test is.
  fetch: (url, options) => globalThis.fetch(url, { ...options, dispatcher: undefined }),
});
for (const event of ['backchannel.error', 'server_error', 'grant.error', 'authorization.error', 'end_session.error']) {
  provider.on(event, (...what) => console.error(event, ...what.filter((each) => each instanceof Error)));
}
provider.listen(port, '127.0.0.1', () => console.log('ready'));
