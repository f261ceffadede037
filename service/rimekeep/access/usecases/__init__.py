"""Make sites, people, devices and tokens; invite people, sign them in; switch off."""

from rimekeep.access.usecases.identity import change_password as change_password
from rimekeep.access.usecases.identity import confirm_identity as confirm_identity
from rimekeep.access.usecases.invitations import accept_invitation as accept_invitation
from rimekeep.access.usecases.invitations import invite_again as invite_again
from rimekeep.access.usecases.invitations import invite_person as invite_person
from rimekeep.access.usecases.invitations import withdraw_invitation as withdraw_invitation
from rimekeep.access.usecases.people import add_principal as add_principal
from rimekeep.access.usecases.people import change_roles as change_roles
from rimekeep.access.usecases.people import change_site as change_site
from rimekeep.access.usecases.people import deactivate as deactivate
from rimekeep.access.usecases.people import next_serial as next_serial
from rimekeep.access.usecases.people import open_new_site as open_new_site
from rimekeep.access.usecases.people import rotate_token as rotate_token
from rimekeep.access.usecases.secret import token_hash as token_hash
from rimekeep.access.usecases.sessions import BROWSER_KNOWN_S as BROWSER_KNOWN_S
from rimekeep.access.usecases.sessions import SESSION_LASTS_S as SESSION_LASTS_S
from rimekeep.access.usecases.sessions import Attempt as Attempt
from rimekeep.access.usecases.sessions import Opened as Opened
from rimekeep.access.usecases.sessions import Visitor as Visitor
from rimekeep.access.usecases.sessions import begin_attempt as begin_attempt
from rimekeep.access.usecases.sessions import complete_attempt as complete_attempt
from rimekeep.access.usecases.sessions import csrf_token as csrf_token
from rimekeep.access.usecases.sessions import end_session as end_session
from rimekeep.access.usecases.sessions import forget_old_sign_ins as forget_old_sign_ins
from rimekeep.access.usecases.sessions import open_session as open_session
from rimekeep.access.usecases.sessions import open_session_by_token as open_session_by_token
